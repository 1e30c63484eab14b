// What every live page does: keeps the line, draws pictures, sounds, speaks, remembers this device.
import { keepLine } from "./line.js";
import { focusGauges } from "./focus.js";
import { calmPanel } from "./panel.js";
import { showPictures } from "./pictures.js";
import { soundAndVoice } from "./sound.js";
import { thisDevice } from "./device.js";
import { playWithRig } from "./sim.js";

keepLine();
calmPanel();
focusGauges();
if (document.body.matches(".phone, .bench, .far")) showPictures();
const sound = soundAndVoice();
thisDevice(sound);
playWithRig();
