// The words and pictures of the summary: loaded when it is first asked for.

import { el } from "./dom.js";
import { factList, triesDrawing } from "./drawings/tries.js";
import { inOrder, verdictWord } from "./verdicts.js";

/** @import { Kind, Snapshot, Verdict } from "../protocol.d.ts" */

/** @param {Snapshot} snap @param {Node[]} pictures */
export function sumUp(snap, pictures) {
	const t = snap.tuning;
	const learned = t && t.facts.length > 0 ? [el("h4", {}, `What the ${kinds[snap.set.kind][1]} say`), factList(t.facts), ...triesDrawing(t.strip), el("p", {}, t.words)] : [el("p", {}, "No shot is judged yet. Judge some, and the delay, the spread and what limits it are worked out.")];
	const strip = pictures.length > 0 ? [el("div", { class: "thumbnails", role: "group", "aria-label": "Pictures of this session" }, ...pictures)] : [];
	return [
		el("h3", { tabindex: "-1", autofocus: true }, `${snap.session.name || "This session"}: ${snap.room ? "practice" : "the real thing"}`),
		el("p", {}, counts(snap)), ...learned, ...strip];
}

/** @type {Record<Kind | "", [string, string]>} one and several */
const kinds = { "": ["unknown", "unknown"], drop: ["drop", "drops"], throw: ["throw", "throws"], sound: ["sound", "sounds"], drops: ["collision", "collisions"] };

/** How many of each kind, where there are several. @param {Snapshot} snap */
function ofKinds(snap) {
	/** @type {Map<Kind | "", number>} */ const of = new Map();
	for (const s of snap.shots) of.set(s.kind, (of.get(s.kind) ?? 0) + 1);
	if (of.size < 2) return "";
	return ` (${[...of].map(([kind, n]) => `${n} ${kinds[kind][n === 1 ? 0 : 1]}`).join(", ")})`;
}

/** How many of each verdict, of the shots that are shown. @param {Snapshot} snap */
function counts(snap) {
	/** @type {Map<Verdict, number>} */ const of = new Map();
	for (const s of snap.shots) of.set(s.verdict, (of.get(s.verdict) ?? 0) + 1);
	const words = inOrder([...of].map(([verdict, n]) => ({ verdict, n }))).map(({ verdict: v, n }) => `${n} ${verdictWord(v).toLowerCase()}`).join(", ");
	const all = `${snap.shot_count} ${snap.shot_count === 1 ? "shot" : "shots"}`;
	if (snap.shot_count > snap.shots.length) return `${all}. Of the newest ${snap.shots.length}${ofKinds(snap)}: ${words}.`;
	return `${all}${ofKinds(snap)}: ${words}.`;
}
