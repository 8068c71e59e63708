"""Events, occurrences and measurements for sharing, as a Darwin Core Archive."""
