// In practice a picture is judged before its words are read: what it shows is said once a verdict is given, or when it
// is asked for. What has no picture is said at once.

import { seenWords } from "./camera.js";

/** @import { ShotView } from "../protocol.d.ts" */

/** @type {Set<number>} shots of which it was asked */
const asked = new Set();

/** The words wait for a verdict. @param {ShotView} s */
export const waits = (s) => s.frame !== "" && !s.framed && s.seen !== "" && s.problem === "" && s.verdict === "" && s.past_mm === null && !asked.has(s.id);

/** From now on the words of this shot are there. @param {ShotView} s */
export const tell = (s) => void asked.add(s.id);

/** What is seen in its picture, or that the words wait. @param {ShotView} s */
export const saidWords = (s) => (waits(s) ? "Judge it first; then what was measured is shown." : seenWords(s));
