// In practice a picture is judged before its words are read: they are withheld until a verdict is given, or somebody
// asks for them. What has no picture is said at once.

import { seenWords } from "./camera.js";

/** @import { ShotView } from "../protocol.d.ts" */

/** IDs of shots whose words somebody asked for. @type {Set<number>} */
const revealed = new Set();

/** Whether the words wait for a verdict. @param {ShotView} s */
export const isWithheld = (s) => s.frame !== "" && !s.framed && s.seen !== "" && s.problem === "" && s.verdict === "" && s.past_mm === null && !revealed.has(s.id);

/** Show the words of this shot from now on. @param {ShotView} s */
export const reveal = (s) => void revealed.add(s.id);

/** What is seen in its picture, or that the words are withheld. @param {ShotView} s */
export const shownWords = (s) => (isWithheld(s) ? "Judge it first; then what was measured is shown." : seenWords(s));
