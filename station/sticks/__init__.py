"""Sticks: the day is written onto every stick with the folder `tallywell` that is plugged in.

mounts: which file systems are mounted, pure. copying: one snapshot onto one stick, so that whatever happens a whole
copy is on it. companion: notices sticks, asks the station for a snapshot, tells the crew.
"""
