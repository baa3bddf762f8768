// The last shots as a list: each folds to a line.

import { attr, el, keyed, text } from "./dom.js";
import { slot } from "./refusals.js";
import { chipKind, chipWords, lineWords, showFigures, verdictButtons } from "./shot.js";

/** @import { ShotView, Verdict } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

/** @typedef {HTMLElement & { refresh: (shot: ShotView) => void }} Card */

/**
 * Show the shots, newest first.
 * @param {Element} list
 * @param {ShotView[]} shots
 * @param {Commands} commands
 */
export function showShots(list, shots, commands) {
	keyed(
		list,
		shots,
		(s) => String(s.id),
		(s) => card(s, commands),
		(node, s) => node.refresh(s),
	);
}

/** @param {ShotView} first @param {Commands} commands */
function card(first, commands) {
	const place = slot();
	let shot = first;
	const number = el("b", { class: "number" });
	const line = el("span", { class: "line" });
	const chip = el("span", { class: "chip" });
	const figures = el("div", { class: "figures" });
	const [problem, seen, note] = ["problem", "seen", "facts"].map((name) => el("p", { class: name }));
	const judge = (/** @type {Verdict} */ verdict) =>
		commands.send({ type: "verdict", shot: shot.id, verdict: shot.verdict === verdict ? "" : verdict }, place);
	const group = el("div", { class: "verdicts", role: "group" }, ...verdictButtons(judge));
	const fold = el("details", {}, el("summary", {}, number, line, chip), problem, group, place, figures, seen, note);
	const node = /** @type {any} */ (el("li", { class: "shot" }, fold));

	/** @type {Card["refresh"]} */
	node.refresh = (s) => {
		shot = s;
		attr(node, "data-ok", s.ok ? "yes" : "no");
		attr(node, "data-shot", s.id);
		text(number, `No. ${s.number}`);
		text(line, lineWords(s));
		text(chip, chipWords(s));
		attr(chip, "data-kind", chipKind(s));
		text(problem, s.problem);
		problem.hidden = s.problem === "";
		// A verdict would invite a trim, and this picture says nothing of the delay.
		group.hidden = s.problem !== "";
		attr(group, "aria-label", `Verdict on shot ${s.number}`);
		for (const b of group.children) attr(b, "aria-pressed", `${b.getAttribute("data-verdict") === s.verdict}`);
		showFigures(figures, s);
		text(seen, s.seen ? `The simulated camera saw: ${s.seen}` : "");
		text(note, s.note ? `Note: ${s.note}` : "");
	};
	return node;
}
