"""How often limits held the truth where the source of a method does not recommend it; measured by our own simulation.

The slow tests draw the same designs again and hold these sentences to what they find.
"""

CHAPMAN_FEW = (
    "With 3 to 6 recaptures expected the limits held the truth in 87 to 97 of 100 simulated surveys (8 designs of 200 to "
    "2,000 fish; surveys with fewer than 3 recaptures gave none)."
)
SCHNABEL_FEW = (
    "With 2 to 5 recaptures expected the limits held the truth in 98 to 100 of 100 simulated waters (3 to 6 surveys of 300 "
    "to 1,000 fish; fewer than 3 recaptures gave none): they are wider than they need be."
)
JOLLY_FEW = (
    "On surveys with fewer than 10 marked fish caught or seen again the limits held the truth in 88 to 95 of 100 simulated "
    "ones (5 and 6 surveys of 100 to 300 fish)."
)
REMOVAL_FEW = (
    "With fewer fish than the source recommends the limits held the truth in 90 to 96 of 100 simulated removals (2 and 3 "
    "passes, 20 to 180 fish, catchability 0.35 to 0.5)."
)
CPUE_FEW = "With 2 to 7 runs the limits held the truth in 92 to 97 of 100 simulated surveys of clumped fish."
