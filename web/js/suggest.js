// The trim that the verdicts so far suggest.

import { inUnit } from "./units.js";

/** @import { ShotView, Snapshot } from "../protocol.d.ts" */

/** How far the next try goes where nothing else says how far. */
const stepMs = 5;

/**
 * The trim to try after a verdict of early or late, in whole ms; null: none. It is half-way between the trim of the
 * shot and the nearest one that was judged the other way; without one, half-way to the end of the band in which the
 * plan expects the moment; beyond that band a step further.
 * @param {ShotView} shot
 * @param {Snapshot} snap
 */
export function suggestTrim(shot, snap) {
	const now = inUnit(snap.set.trim[snap.set.kind], "ms");
	const way = shot.verdict === "early" ? 1 : shot.verdict === "late" ? -1 : 0;
	// Once the trim is another than the shot's, the verdict has been acted on.
	const stands = shot.problem === "" && shot.kind === snap.set.kind && now === shot.trim_ms;
	if (way === 0 || !stands || now === null) return null;
	const opposite = way > 0 ? "late" : "early";
	const beyond = snap.shots
		.filter((s) => s.kind === shot.kind && s.verdict === opposite && s.problem === "")
		.map((s) => way * (s.trim_ms - now))
		.filter((by) => by > 0);
	const by = beyond.length > 0 ? Math.min(...beyond) / 2 : byBand(way, snap);
	return Math.round(now + way * Math.max(1, Math.round(by)));
}

/**
 * How far the band's end is, halved. A throw's band is that of its speeds, which the gate measures.
 * @param {number} way
 * @param {Snapshot} snap
 */
function byBand(way, snap) {
	const p = snap.preview;
	if (!p || p.table.length > 1) return stepMs;
	const rest = way > 0 ? p.delay_high_ms - p.delay_ms : p.delay_ms - p.delay_low_ms;
	return rest > 2 ? rest / 2 : stepMs;
}
