// Words of an evening.

import { kindWords } from "../set.js";
import { inOrder, verdictWord } from "../verdicts.js";

/** @import { Kind, PastSession } from "../../protocol.d.ts" */

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
