// What an evening needs besides care: a list that blocks nothing.

import { byId, el, keyed, text } from "../dom.js";
import { inSteps } from "../studio.js";

/** @import { Care, Snapshot } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */

/**
 * One point with its tick.
 * @param {Care} point
 * @param {() => boolean} ticked whether it is, now
 * @param {Commands} commands
 */
export function tick(point, ticked, commands) {
	const box = el("input", {
		type: "checkbox",
		onclick: (/** @type {Event} */ e) => {
			e.preventDefault(); // the tick appears when the machine has it
			commands.send({ type: "evening", id: point.id, ticked: !ticked() }, byId("evening-refusal"));
		},
	});
	return el("li", {}, el("label", { "data-evening": point.id }, box, el("span", { class: "caution" }, point.text)));
}

/** Show a point as it is. @param {HTMLElement} node @param {Care} point */
export function showTick(node, point) {
	const box = node.querySelector("input");
	if (box) box.checked = point.ticked;
	text(node.querySelector(".caution"), point.text);
}

export class Evening {
	/** @type {Snapshot | null} */ #snap = null;

	/** @param {HTMLElement} list @param {Commands} commands */
	constructor(list, commands) {
		this.list = list;
		this.commands = commands;
	}

	/** @param {Snapshot} snap */
	show(snap) {
		this.#snap = snap;
		keyed(
			this.list,
			snap.evening.filter((e) => !inSteps.includes(e.id)),
			(e) => e.id,
			(e) => tick(e, () => this.#ticked(e.id), this.commands),
			showTick,
		);
	}

	/** @param {string} id */
	#ticked(id) {
		return this.#snap?.evening.find((e) => e.id === id)?.ticked ?? false;
	}
}
