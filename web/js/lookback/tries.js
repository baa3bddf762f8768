// An evening's tries in words and as a table, which say the same as their drawing.

import { el, table } from "../dom.js";
import { fixed, signed } from "../units.js";
import { verdictWord } from "../verdicts.js";

/** @import { KindTries, TryView, Verdict } from "../../protocol.d.ts" */

/** The drawing's lanes: verdicts, and tries that were only measured. @type {(Verdict | "measured")[]} */
const lanes = ["good", "early", "late", "too high", "too low", "nothing there", "measured", ""];

/** @param {TryView} t */
const laneOf = (t) => t.verdict || (t.measured ? "measured" : "");

/** The lanes that have tries. @param {KindTries} kind */
const given = (kind) => lanes.filter((v) => kind.tries.some((t) => laneOf(t) === v));

/** A place on the axis. @param {KindTries} kind @param {number} at */
export const atWords = (kind, at) => `${kind.axis === "trim" ? signed(at, 1) : fixed(at, 1)} ms`;

/** Where the tries were good most often, or why that is not known. @param {KindTries} kind */
export function bestWords(kind) {
	const { best, axis } = kind;
	if (!best) return kind.why;
	return `Most often good: ${axis} ${atWords(kind, best.at_ms)}, ${best.good} of ${best.tries} tries.`;
}

/** The tries as a table: how many at each millisecond. @param {KindTries} kind */
export function triesTable(kind) {
	const verdicts = given(kind);
	/** @type {Map<number, TryView[]>} */
	const groups = new Map();
	for (const t of kind.tries) {
		const key = Math.round(t.at_ms);
		groups.set(key, [...(groups.get(key) ?? []), t]);
	}
	const rows = [...groups]
		.sort(([a], [b]) => a - b)
		.map(([at, tries]) => {
			const count = (/** @type {string} */ v) => el("td", {}, String(tries.filter((t) => laneOf(t) === v).length));
			const head = el("th", { scope: "row" }, kind.axis === "trim" ? signed(at, 0) : fixed(at, 0));
			return el("tr", {}, head, ...verdicts.map(count));
		});
	const first = [kind.axis === "trim" ? "Trim" : "Delay", el("i", {}, "ms")];
	return table([first, ...verdicts.map((v) => [v === "measured" ? "Measured" : verdictWord(v)])], rows);
}
