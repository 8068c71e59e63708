"""The two-person line: one person measures, another weighs, a few fish lie between."""
