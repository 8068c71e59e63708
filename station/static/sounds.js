// The station's sounds on the tablet, after a tap: browsers let no page sound by itself. The notes are the station's own
// (`data-sounds` of the body): {sound: [[frequency in Hz, start in s, length in s], ...]}.

export function startSounds(button) {
  const notes = JSON.parse(document.body.dataset.sounds || "{}");
  let audio = null;
  button.hidden = Object.keys(notes).length === 0;
  button.addEventListener("click", () => {
    if (audio) {
      audio.close();
      audio = null;
    } else {
      audio = new AudioContext();
      play("part");
    }
    button.setAttribute("aria-pressed", String(audio !== null));
  });

  function play(sound) {
    if (!audio) return;
    for (const [hertz, start_s, length_s] of notes[sound] ?? []) tone(audio, hertz, audio.currentTime + start_s, length_s);
  }
  return { play };
}

// A sine and its octave at half the loudness, as the station's own loudspeaker plays them.
const voice = (audio) => audio.createPeriodicWave([0, 0, 0], [0, 1, 0.5]);

function tone(audio, hertz, at_s, length_s) {
  const source = new OscillatorNode(audio, { frequency: hertz, periodicWave: voice(audio) });
  const loudness = new GainNode(audio, { gain: 0 });
  const edge_s = Math.min(0.01, length_s / 4); // rise and fall, or it would click
  loudness.gain.setValueAtTime(0, at_s);
  loudness.gain.linearRampToValueAtTime(0.5, at_s + edge_s);
  loudness.gain.setValueAtTime(0.5, at_s + length_s - edge_s);
  loudness.gain.linearRampToValueAtTime(0, at_s + length_s);
  source.connect(loudness).connect(audio.destination);
  source.start(at_s);
  source.stop(at_s + length_s);
}
