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

/** What flew and how many shots there were. @param {PastSession} s */
export function kindAndShots(s) {
	const kind = kindWords[/** @type {Kind} */ (s.kind)] ?? "Set not readable";
	return `${kind} · ${s.shots === 1 ? "one shot" : `${s.shots} shots`}`;
}

/** How they were judged. @param {PastSession} s */
export const judgedText = (s) =>
	inOrder(s.verdicts).map((c) => `${c.shots} ${verdictWord(c.verdict).toLowerCase()}`).join(", ");
