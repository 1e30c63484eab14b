// What the page has sounded: waveforms and first frequencies, newest last.
() => window.heard
