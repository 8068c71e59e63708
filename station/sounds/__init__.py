"""What the crew hears: tones made here, and sentences if speech is on, played by the system's own player.

tones: sound -> notes -> samples, pure. turns: which sound comes next, pure. speech: the sentences, pure. voice and
player: the programs that speak and play, each a process of its own. companion: ties them to the station.
"""
