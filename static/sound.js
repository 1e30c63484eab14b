// Tones and voice. Pitch rises with nearness; a tick while still; a short chime for kept.
let audio = null;
const remember = (name, on) => localStorage.setItem(`holdstill.${name}`, on ? "on" : "off");
const remembered = (name) => localStorage.getItem(`holdstill.${name}`) === "on";

export function soundAndVoice() {
  const want = { sound: remembered("sound"), voice: remembered("voice") };
  const unlock = () => {
    if (want.sound && !audio) audio = new AudioContext();
    if (audio?.state === "suspended") audio.resume();
  };
  document.addEventListener("pointerdown", unlock);
  document.addEventListener("keydown", unlock);
  let before = {};
  let lastTick = 0, lastOrder = 0;
  const read = () => ({ ...document.getElementById("signal").dataset });

  const react = () => {
    const now = read();
    if (want.sound && audio?.state === "running") sing(now, before);
    if (want.voice) speak(now, before);
    before = now;
  };
  const sing = (now, was) => {
    const clock = performance.now();
    const changed = now.tone !== was.tone;
    if (now.tone === "kept" && (changed || now.kept !== was.kept)) return chime([660, 990], .16);
    if (now.tone === "ready" && changed) return chime([523, 659, 784, 1047], .2);
    if (now.tone === "not kept" && changed) return chime([330, 247], .18, "triangle");
    if (now.tone === "trouble" && changed) return chime([220, 220], .12, "triangle");
    if (now.step === "focus") return ringing(now, clock);
    if (now.tone === "still" && clock - lastTick > 480) { lastTick = clock; return tick(); }
    if (now.tone === "warmer" || now.tone === "colder") {
      const pause = 520 - 300 * Number(now.nearness);
      if (clock - lastTick > pause) { lastTick = clock; blip(220 * 2 ** (2 * Number(now.nearness)), now.tone === "colder"); }
    }
  };
  // At the lens: sharper is a clear note that rises, higher the nearer; softer a rough pair that falls,
  // an octave and more below; there, a quiet steady chord.
  const ringing = (now, clock) => {
    const high = 330 * 2 ** (1.7 * Number(now.nearness));
    const pause = { warmer: 170, colder: 300, still: 900 }[now.tone];
    if (!pause || clock - lastTick < pause) return;
    lastTick = clock;
    const at = audio.currentTime;
    if (now.tone === "warmer") glide(high, high * 1.12, at, .12, "sine", .2);
    if (now.tone === "colder") for (const k of [0, 1]) glide(high * .36, high * .3, at + .12 * k, .1, "sawtooth", .09);
    if (now.tone === "still") for (const ratio of [1, 1.25, 1.5]) note(660 * ratio, at, .3, "sine", .06);
  };
  const speak = (now, was) => {
    if (now.spoken !== was.spoken || now.kind !== was.kind) return say(now.spoken, true);
    if (now.order !== was.order && now.kind === "asking" && performance.now() - lastOrder > 2200) {
      lastOrder = performance.now();
      say(now.order, false);
    }
  };
  document.addEventListener("htmx:ws:after:message:incoming", react);
  setInterval(() => { if (want.sound && audio?.state === "running") sing(read(), before); }, 120);

  return {
    is: (name) => want[name],
    turn(name, on) {
      want[name] = on;
      remember(name, on);
      if (name === "sound" && on) { unlock(); chime([523, 784], .12); }
      if (name === "sound" && !on) audio?.suspend();
      if (name === "voice") { if (on) say(read().spoken, true); else globalThis.speechSynthesis?.cancel(); }
    },
  };
}

function glide(from, to, at, lasts, shape, loud) {
  const voice = audio.createOscillator(), gain = audio.createGain();
  voice.type = shape;
  voice.frequency.setValueAtTime(from, at);
  voice.frequency.linearRampToValueAtTime(to, at + lasts);
  gain.gain.setValueAtTime(0, at);
  gain.gain.linearRampToValueAtTime(loud, at + .01);
  gain.gain.exponentialRampToValueAtTime(.0008, at + lasts);
  voice.connect(gain).connect(audio.destination);
  voice.start(at);
  voice.stop(at + lasts + .02);
}
function note(hertz, at, lasts, shape, loud) { glide(hertz, hertz, at, lasts, shape, loud); }
function chime(tones, each, shape = "sine") {
  if (!audio) return;
  tones.forEach((hertz, i) => note(hertz, audio.currentTime + i * each, each * 2.2, shape, .28));
}
function blip(hertz, falling) { note(hertz, audio.currentTime, .11, falling ? "triangle" : "sine", .16); }
function tick() { note(1400, audio.currentTime, .03, "square", .07); }
function say(words, first) {
  if (!globalThis.speechSynthesis || !words) return;
  if (first) speechSynthesis.cancel();
  const sentence = new SpeechSynthesisUtterance(words);
  sentence.lang = document.documentElement.lang;
  sentence.rate = 1.05;
  speechSynthesis.speak(sentence);
}
