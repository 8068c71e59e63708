"""Fish science as pure functions. `fishery.single` handles one fish with the standard library alone."""
