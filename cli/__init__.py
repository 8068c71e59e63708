"""The commands. May import every other folder; nobody imports it."""
