"""Plays sounds one after the other: a thread that only waits and passes on, and the system's player as a process.

A player is started before it is needed and waits on its pipe with the sound card open, so a sound starts when its samples
are written (aplay was through with an empty sound after 0.6 ms, with its start after 6 ms, where this was written). The
end of the pipe is the end of the sound, which every player understands; cutting a sound off means to end its process. A
player that stays open for many sounds would need silence fed to it, and plays a short sound only when its buffer is full.
"""

import contextlib
import select
import socket
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from ingest.announce import log
from ingest.records import Sound
from station.sounds.programs import RAW_PLAYERS, Running
from station.sounds.tones import RATE_HZ, Samples, click_into, samples_of, wav
from station.sounds.turns import Turns, Wanted

RETRY_S = 30.0  # without any player that works: so long until the next try
STEADY_S = 1.0  # a player that waited so long had found its sound card
_HUNG_S = 5.0  # so long after its sound should be over, a player is given up


@dataclass(slots=True)
class _Playing:
    program: Running
    wanted: Wanted
    pcm: Samples
    since_s: float
    is_speech: bool = False

    @property
    def over_s(self) -> float:
        """When it should have been heard."""
        return self.since_s + len(self.pcm) / RATE_HZ


class Loudspeaker:
    """Plays from its making until `close`. `play` may be called from any thread and returns at once.

    commands: the players to try, best first. tones: the samples of each sound. speaker: the command that turns a
    sentence on its standard input into a WAV stream, None for no speech. tell: called with the name of an announcement
    and its sentence, from the loudspeaker's thread, when the sounds fail (once) and when they are heard again.
    """

    def __init__(
        self,
        commands: Sequence[Sequence[str]],
        tones: Callable[[], Mapping[Sound, Samples]],
        tell: Callable[[str, str], None],
        *,
        speaker: Sequence[str] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._commands = commands
        self._make_tones = tones
        self._tones: Mapping[Sound, Samples] = {}
        self._tell = tell
        self._speaker = speaker
        self._clock = clock
        self._lock = threading.Lock()  # held for moments only: the ingest thread may wait for it
        self._turns = Turns()
        self._closed = False
        self._quiet = True
        self._ear, self._knock = socket.socketpair()
        for end in (self._ear, self._knock):
            end.setblocking(False)
        self._choice = 0
        self._worked = False  # whether the chosen player deserves another start after it failed
        self._waves: dict[Sound, bytes] = {}
        # While nothing is heard, the player that waits is offered to whoever wants a sound: the sound begins in that
        # thread, without waiting for ours to get its turn among the others of the process.
        self._offered: Running | None = None
        self._begun: tuple[Running, Wanted] | None = None
        self._standby: Running | None = None
        self._standby_since_s = 0.0
        self._playing: _Playing | None = None
        self._voice: tuple[Running, Wanted] | None = None
        self._speech: tuple[Samples, Wanted] | None = None
        self._silent_until_s = 0.0
        self._told = self._told_speech = False
        self._thread = threading.Thread(target=self._run, name="sounds", daemon=True)
        self._thread.start()

    def play(self, sound: Sound, text: str | None = None) -> None:
        """Let this sound be heard, and the sentence after it if there is speech."""
        if self._closed:
            return
        wanted = Wanted(sound, self._clock(), text if self._speaker else None)
        with self._lock:
            self._quiet = False
            program, self._offered = self._offered, None
            if program is not None and sound in self._waves:
                self._begun = program, wanted
                self._hand_over(program, self._waves[sound])
            else:
                self._turns.want(wanted)
        self._wake()

    @property
    def quiet(self) -> bool:
        """Whether nothing is heard and nothing waits."""
        return self._quiet

    def close(self) -> None:
        """Be silent from now on."""
        self._closed = True
        self._wake()
        self._thread.join(2.0)
        self._ear.close()
        self._knock.close()

    def _wake(self) -> None:
        with contextlib.suppress(OSError):  # full: it is awake already
            self._knock.send(b"\0")

    # --- the thread -----------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            self._work()
        except Exception as fault:  # a fault of this program costs the sounds, and somebody must hear of it
            log.exception("the sounds failed")
            self._tell(
                "sounds_failed", f"There are no sounds any more, by a fault of this program ({fault})."
            )
        finally:
            self._closed = True
            for program in self._programs():
                program.close()

    def _work(self) -> None:
        self._tones = self._make_tones()
        self._waves = {sound: wav(pcm) for sound, pcm in self._tones.items()}
        if self._commands:
            self._stand_by()
        else:
            self._give_up("no program that plays sounds is installed (aplay of alsa-utils, for example)")
        while not self._closed:
            self._listen()
            self._step(self._clock())
            with self._lock:
                self._quiet = not (
                    len(self._turns) or self._begun or self._playing or self._voice or self._speech
                )
                if self._quiet:
                    self._offered = self._standby

    def _programs(self) -> list[Running]:
        voice = self._voice[0] if self._voice else None
        playing = self._playing.program if self._playing else None
        return [program for program in (self._standby, playing, voice) if program is not None]

    def _listen(self) -> None:
        """Wait until somebody wants a sound, or a program reads, speaks or ends."""
        poll = select.poll()
        poll.register(self._ear, select.POLLIN)
        programs = self._programs()
        for program in programs:
            poll.register(program.handle, select.POLLIN)
            for pipe in (program.process.stdout, program.process.stderr):
                if pipe is not None and not pipe.closed:
                    poll.register(pipe, select.POLLIN)
            if program.wants_more and program.process.stdin is not None:
                poll.register(program.process.stdin, select.POLLOUT)
        wait_s = None
        if self._playing is not None:
            wait_s = max(0.0, self._playing.over_s + _HUNG_S - self._clock())
        poll.poll(None if wait_s is None else wait_s * 1000 + 1)
        with contextlib.suppress(BlockingIOError):
            while self._ear.recv(4096):
                pass
        for program in programs:
            if program.wants_more:
                program.send_more()
            program.read()

    def _step(self, now_s: float) -> None:
        self._take_back(now_s)
        self._look_at_voice()
        self._look_at_standby(now_s)
        self._look_at_playing(now_s)
        with self._lock:
            if now_s < self._silent_until_s:
                self._turns.forget()
                return
            playing = self._playing
            if playing is None:
                chosen = self._turns.take(now_s)
            elif not playing.is_speech:
                chosen = self._turns.take(now_s) if self._turns.cuts(playing.wanted.sound) else None
                if chosen is not None:
                    self._turns.give_back(playing.wanted)
            else:
                click = self._turns.take_click(now_s)
                chosen = click or self._turns.take(now_s)
        if chosen is not None and playing is not None and playing.is_speech and chosen.sound is Sound.PART:
            rest = playing.pcm[round((now_s - playing.since_s) * RATE_HZ) :]
            self._start(playing.wanted, click_into(rest, self._tones[Sound.PART]), now_s, is_speech=True)
        elif chosen is not None:
            self._start_tone(chosen, now_s)
        elif playing is None and self._speech is not None:
            pcm, wanted = self._speech
            self._speech = None
            self._start(wanted, pcm, now_s, is_speech=True)
        elif playing is None and self._standby is None:
            self._stand_by()

    def _take_back(self, now_s: float) -> None:
        """From here to the end of the step only this thread starts a sound; what another one has begun is ours now."""
        with self._lock:
            self._offered = None
            begun, self._begun = self._begun, None
        if begun is not None:
            program, wanted = begun
            self._standby = None
            self._playing = _Playing(program, wanted, self._tones[wanted.sound], now_s)
            if wanted.text is not None and self._speaker is not None:
                self._speak(wanted, self._speaker)

    # --- playing --------------------------------------------------------------------------------------------

    def _start_tone(self, wanted: Wanted, now_s: float) -> None:
        if wanted.sound is not Sound.PART:  # newer news: nobody wants the older sentence any more
            self._speech = None
            self._hush()
        self._start(wanted, self._tones[wanted.sound], now_s)
        if wanted.text is not None and self._speaker is not None:
            self._speak(wanted, self._speaker)

    def _start(self, wanted: Wanted, pcm: Samples, now_s: float, *, is_speech: bool = False) -> None:
        if self._playing is not None:
            self._playing.program.close()
            self._playing = None
        if self._standby is None and not self._stand_by():
            return
        assert self._standby is not None
        program, self._standby = self._standby, None
        self._playing = _Playing(program, wanted, pcm, now_s, is_speech)
        self._hand_over(program, wav(pcm))

    @staticmethod
    def _hand_over(program: Running, wave: bytes) -> None:
        program.give(wave[44:] if program.name in RAW_PLAYERS else wave)

    def _look_at_playing(self, now_s: float) -> None:
        playing = self._playing
        if playing is None:
            return
        hangs = now_s > playing.over_s + _HUNG_S
        if not playing.program.ended and not hangs:
            return
        code = playing.program.close()
        self._playing = None
        if code == 0 and not hangs:
            self._worked = True
            if self._told:
                self._told = False
                self._tell("sounds_back", "The sounds are heard again.")
            return
        if now_s < playing.over_s and not playing.is_speech:  # it cannot have been heard
            with self._lock:
                self._turns.give_back(playing.wanted)
        self._failed(playing.program, "it does not come to its end" if hangs else playing.program.why())

    # --- the player -----------------------------------------------------------------------------------------

    def _stand_by(self) -> bool:
        """Start the chosen player, or the next one that can be started; whether there is one."""
        why = ""
        while self._choice < len(self._commands):
            command = self._commands[self._choice]
            try:
                self._standby = Running(command)
            except OSError as error:
                self._choice += 1
                why = f"{command[0]}: {error.strerror}"
                continue
            self._standby_since_s = self._clock()
            return True
        self._give_up(why)
        return False

    def _look_at_standby(self, now_s: float) -> None:
        standby = self._standby
        if standby is None or not standby.ended:
            return
        self._standby = None
        standby.close()
        self._worked = self._worked or now_s - self._standby_since_s > STEADY_S
        self._failed(standby, standby.why())

    def _failed(self, program: Running, why: str) -> None:
        """One more start for a player that worked before, else the turn of the next one."""
        if self._worked:
            self._worked = False
        else:
            self._choice += 1
        if self._choice < len(self._commands):
            self._stand_by()
        else:
            self._give_up(f"{program.name}: {why}")

    def _give_up(self, why: str) -> None:
        self._choice = 0
        self._silent_until_s = self._clock() + RETRY_S if self._commands else float("inf")
        self._speech = None
        self._hush()
        if not self._told:
            self._told = True
            self._tell("sounds_failed", f"There are no sounds ({why}). The station works on without.")

    # --- speech ---------------------------------------------------------------------------------------------

    def _speak(self, wanted: Wanted, speaker: Sequence[str]) -> None:
        """Have the sentence made while its tone is heard."""
        try:
            voice = Running(speaker, speaks=True)
        except OSError as error:
            self._no_speech(f"{speaker[0]}: {error.strerror}")
            return
        voice.give((wanted.text or "").encode())
        self._voice = voice, wanted

    def _look_at_voice(self) -> None:
        if self._voice is None or not self._voice[0].ended:
            return
        (voice, wanted), self._voice = self._voice, None
        code = voice.close()
        try:
            if code != 0:
                raise ValueError(voice.why())
            self._speech = samples_of(bytes(voice.output)), wanted
        except ValueError as error:
            self._no_speech(f"{voice.name}: {error}")

    def _hush(self) -> None:
        if self._voice is not None:
            self._voice[0].close()
            self._voice = None

    def _no_speech(self, why: str) -> None:
        if not self._told_speech:
            self._told_speech = True
            self._tell("speech_failed", f"Nothing is spoken ({why}). The tones are heard all the same.")
