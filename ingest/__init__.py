"""The station's daemon: journal, assemble, check, store, announce."""
