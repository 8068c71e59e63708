"""What the office does with the records: pull, correct, import, hand on, and answer."""
