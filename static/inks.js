// The colours of what is drawn by hand, as they stand in look.css: what is there, what is asked for, what
// is wrong, plain ink; and the dark that lies under each line, so that it shows on white too.
export const HAVE = "#7cc9f2", ASK = "#f6bd41", WRONG = "#ff8a5c", INK = "#f5f1e8";
export const DARK = "rgba(5, 8, 10, .78)";
