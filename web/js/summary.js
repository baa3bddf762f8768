// The session in sum, and its pictures.

import { button, byId } from "./dom.js";

/** @import { Snapshot } from "../protocol.d.ts" */
/** @import { Frames } from "./frames.js" */

export class Summary {
	/** @type {Snapshot | null} */ #snap = null;

	/** @param {Frames} frames */
	constructor(frames) {
		this.frames = frames;
		this.dialog = /** @type {HTMLDialogElement} */ (byId("summary"));
		for (const opener of document.querySelectorAll("[data-summary]")) opener.addEventListener("click", () => this.#open());
	}

	/** @param {Snapshot} snap */
	show(snap) {
		this.#snap = snap;
		for (const b of document.querySelectorAll("[data-summary]")) /** @type {HTMLElement} */ (b).hidden = snap.shots.length === 0;
		if (this.dialog.open && !["safe", "fault"].includes(snap.state)) this.dialog.close();
	}

	async #open() {
		const summing = await import("./summing.js").catch(() => null); // the page says it if the machine is gone
		const snap = this.#snap;
		if (!summing || !snap || this.dialog.open || !["safe", "fault"].includes(snap.state)) return;
		const close = () => this.dialog.close();
		this.dialog.replaceChildren(...summing.sumUp(snap, this.frames.thumbnails(snap.shots, close)), button({ onclick: close }, "Close"));
		this.dialog.showModal();
	}
}
