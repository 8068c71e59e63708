"""What the crew sees and hears: the live page and the sounds. Nothing here can stop or delay the ingest."""
