"""The same sounds for a page that plays them itself: notes as plain numbers."""

from ingest.records import Sound
from ingest.station_file import SoundsTable
from station.sounds.tones import notes


def page_sounds(table: SoundsTable) -> dict[str, list[list[float]]]:
    """Each sound that shall be heard, as its notes: [pitch in Hz, start in s, length in s]."""
    return {
        sound.value: [[note.hz, note.start_s, note.length_s] for note in notes(sound, table.set)]
        for sound in Sound
        if sound is not Sound.NONE and sound.value not in table.leave_out
    }
