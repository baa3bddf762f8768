// The checklist: each point is ticked before the first arming, and again when the machine asks.

import { byId, el, keyed, text } from "./dom.js";

/** @import { Care, Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

export class CareList {
	/** @type {Snapshot | null} */ #snap = null;

	/** @param {Commands} commands @param {() => void} done called when its last point has been ticked */
	constructor(commands, done) {
		this.commands = commands;
		this.done = done;
		this.section = byId("care");
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const before = this.#snap;
		this.#snap = snap;
		this.#place(snap.care_done);
		const again = snap.care_again && `These must be ticked again, because ${snap.care_again}. `;
		text(byId("care-title"), snap.care_done ? "Care" : again ? "Before it is armed again" : "Before the first arming");
		text(
			byId("care-lead"),
			snap.care_done
				? "All points are ticked for this session. Untick one that is no longer true."
				: `${again}Read each point and tick it when it is true. Local regulations come first.`,
		);
		keyed(
			byId("care-list"),
			snap.care,
			(c) => c.id,
			(c) => this.#item(c),
			(node, c) => {
				const box = /** @type {HTMLInputElement} */ (node.querySelector("input"));
				box.checked = c.ticked;
				text(node.querySelector(".caution"), c.text);
			},
		);
		if (before && !before.care_done && snap.care_done) this.done();
	}

	/** What is done comes last, on the screen and by keyboard. @param {boolean} done */
	#place(done) {
		const { section } = this;
		const parent = /** @type {HTMLElement} */ (section.parentElement);
		if (section.classList.contains("done") === done) return;
		section.classList.toggle("done", done);
		const focus = document.activeElement;
		if (done) parent.append(section);
		else parent.querySelector("section")?.before(section);
		if (focus instanceof HTMLElement && section.contains(focus)) focus.focus({ preventScroll: true });
	}

	/** @param {Care} care */
	#item(care) {
		const box = el("input", {
			type: "checkbox",
			onclick: (/** @type {Event} */ e) => {
				e.preventDefault(); // the tick appears when the machine has it
				const now = this.#snap?.care.find((c) => c.id === care.id)?.ticked ?? false;
				this.commands.send({ type: "care", id: care.id, ticked: !now }, byId("care-refusal"));
			},
		});
		return el("li", {}, el("label", { "data-care": care.id }, box, el("span", { class: "caution" }, care.text)));
	}
}
