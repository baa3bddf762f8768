// Words of an evening.

import { kindWords } from "../set.js";
import { inOrder, verdictWord } from "../verdicts.js";

/** @import { Kind, PastSession } from "../../protocol.d.ts" */

/** A date in the phone's own way, in 24 hours. @param {string} at */
export function dateText(at) {
	const t = new Date(at);
	if (Number.isNaN(t.getTime())) return "no known date";
	return t.toLocaleString([], { dateStyle: "medium", timeStyle: "short", hourCycle: "h23" });
}

/** What flew; "" where that cannot be read. @param {PastSession} s */
export const flown = (s) =>
	s.kinds.map((k, i) => {
		const kind = kindWords[/** @type {Kind} */ (k)] ?? k;
		return i === 0 ? kind : kind.charAt(0).toLowerCase() + kind.slice(1);
	}).join(", ");

/** What flew and how many shots there were. @param {PastSession} s */
export function kindAndShots(s) {
	return `${flown(s) || "Set not readable"} · ${s.shots === 1 ? "one shot" : `${s.shots} shots`}`;
}

/** How they were judged. @param {PastSession} s */
export const judgedText = (s) =>
	inOrder(s.verdicts).map((c) => `${c.shots} ${verdictWord(c.verdict).toLowerCase()}`).join(", ");
