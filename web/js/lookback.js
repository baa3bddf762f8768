// The place Look back: the last shots of this session.

import { byId, el } from "./dom.js";
import { Judging } from "./judging.js";
import { showShots } from "./shots.js";

/** @import { Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

export class LookBack {
	/** @type {Snapshot | null} */ #snap = null;

	/** @param {Commands} commands */
	constructor(commands) {
		this.commands = commands;
		this.list = el("ol", { id: "shots-list", class: "shots", reversed: true });
		const newer = el("button", { type: "button", id: "list-newer", hidden: true });
		this.empty = el("p", { class: "hint" }, "No shot in this session yet.");
		byId("lookback").append(newer, this.list, this.empty);
		this.judging = new Judging(this.list, newer, () => this.#draw());
	}

	/** @param {Snapshot} snap */
	show(snap) {
		this.#snap = snap;
		this.#draw();
	}

	#draw() {
		if (!this.#snap) return;
		showShots(this.list, this.judging.admit(this.#snap.shots), this.commands);
		this.empty.hidden = this.#snap.shots.length > 0;
	}
}
