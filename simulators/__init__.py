"""Virtual instruments on real ports, virtual crews, and replay of recorded days."""
