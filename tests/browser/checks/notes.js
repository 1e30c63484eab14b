// Put before a page's own scripts: an audio device that notes the waveform, first pitch and time of each note.
window.heard = [];
window.heardAt = [];
window.AudioContext = class {
  constructor() { this.state = "running"; this.currentTime = 0; this.destination = {}; }
  resume() {}
  suspend() {}
  createGain() {
    const level = { setValueAtTime() {}, linearRampToValueAtTime() {}, exponentialRampToValueAtTime() {} };
    return { gain: level, connect() { return { connect() {} }; } };
  }
  createOscillator() {
    const frequency = { value: 0, setValueAtTime(v) { this.value = v; }, linearRampToValueAtTime() {} };
    const voice = { type: "sine", frequency, connect(next) { return next; }, stop() {} };
    voice.start = () => {
      window.heard.push([voice.type, Math.round(frequency.value)]);
      window.heardAt.push(performance.now());
    };
    return voice;
  }
};
