"""Fish that come from elsewhere: a table of anglers' recaptures or of old paper years, read with suspicion."""
