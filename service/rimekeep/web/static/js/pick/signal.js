// Right and wrong, felt and heard: gloves, ear protection and a dark aisle leave not much to see.

const RIGHT = { shake: [40], tones: [[880, 0.09]] };
const WRONG = { shake: [180, 80, 180], tones: [[220, 0.18], [185, 0.28]] };

let sound = null;

function play(tones) {
  const Sound = window.AudioContext;
  // Before anybody has touched the page a browser lets nothing be heard.
  if (!Sound || navigator.userActivation?.hasBeenActive === false) return;
  sound ??= new Sound();
  sound.resume();
  let at = sound.currentTime;
  for (const [pitch, length] of tones) {
    const tone = sound.createOscillator();
    const loudness = sound.createGain();
    tone.frequency.value = pitch;
    loudness.gain.setValueAtTime(0.25, at);
    loudness.gain.exponentialRampToValueAtTime(0.001, at + length);
    tone.connect(loudness).connect(sound.destination);
    tone.start(at);
    tone.stop(at + length);
    at += length;
  }
}

export function signal(isRight) {
  const { shake, tones } = isRight ? RIGHT : WRONG;
  if (navigator.userActivation?.hasBeenActive !== false) navigator.vibrate?.(shake);
  play(tones);
}
