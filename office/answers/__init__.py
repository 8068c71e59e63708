"""From the records to answers: each number with its n, interval, formula, source and the fish behind it."""
