// Signals: what a phone across the room sounds and vibrates when something happens. Each has a rhythm of its own, so that
// sound, vibration and its picture on the page say the same.

import { isLive } from "./words.js";

/** @import { Snapshot } from "../protocol.d.ts" */

/** @typedef {"armed" | "seen" | "fired" | "rejected" | "disarmed" | "fault"} SignalName */
/** A tone: hertz and ms. @typedef {[hz: number, ms: number]} Tone */

/** Between two tones of a signal, in ms. */
export const gapMs = 60;

/** @type {Record<SignalName, { word: string, tones: Tone[] }>} */
export const signals = {
	armed: { word: "Armed", tones: [[660, 80], [990, 240]] },
	seen: { word: "Seen by the sensor", tones: [[1320, 50]] },
	fired: { word: "Fired", tones: [[784, 320]] },
	rejected: { word: "Nothing fired", tones: [[392, 80], [392, 80], [392, 80]] },
	disarmed: { word: "Disarmed", tones: [[990, 240], [660, 80]] },
	fault: { word: "Fault", tones: [[294, 300], [294, 300], [294, 300]] },
};

/** Heard in each second of a countdown to armed. @type {Tone} */
export const secondTone = [880, 40];

/** One for each shot left. @type {Tone} */
export const countTone = [1047, 60];
/** More than so many are not counted by ear. */
export const maxCount = 5;

/** How long a signal lasts, in ms. @param {Tone[]} tones */
export const lasts = (tones) => tones.reduce((sum, [, ms]) => sum + ms + gapMs, -gapMs);

/** A signal as navigator.vibrate takes it: on, off, on, in ms. @param {Tone[]} tones */
export const vibration = (tones) => tones.flatMap(([, ms], i) => (i === 0 ? [ms] : [gapMs, ms]));

/**
 * The signals of what happened between two snapshots, in the order in which it did.
 * @param {Snapshot | null} before null: the first one after a connection, of which nothing is news
 * @param {Snapshot} now
 * @returns {{ names: SignalName[], left: number | null }} left: shots to come after one that fired
 */
export function signalsBetween(before, now) {
	/** @type {SignalName[]} */
	const names = [];
	if (!before) return { names, left: null };
	if (!isLive(before) && isLive(now)) names.push("armed");
	if (before.state !== "firing" && now.state === "firing") names.push("seen");
	const newest = before.session.id === now.session.id ? (before.shots[0]?.id ?? 0) : Infinity;
	const shots = now.shots.filter((s) => s.id > newest).reverse();
	for (const shot of shots) names.push(shot.status === "done" ? "fired" : "rejected");
	const refused = now.notice !== "" && now.notice !== before.notice && isLive(now);
	const dryShot = now.dry_shots[0]?.number !== before.dry_shots[0]?.number;
	if (refused && shots.length === 0 && !dryShot) names.push("rejected");
	if (now.state === "fault" && before.state !== "fault") names.push("fault");
	else if (isLive(before) && now.state === "safe") names.push("disarmed");
	return { names, left: names.includes("fired") ? now.armed_left : null };
}
