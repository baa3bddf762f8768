// The camera's own file numbers: the first is typed once, each shot shows the next.

import { attr, el, text } from "../dom.js";
import { show, slot } from "../refusals.js";
import { fileName, fileNumber, notAFile } from "./filenumber.js";

/** @import { Snapshot } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */

/** The number of the next picture, as a field. */
export class FileNumbers {
	#next = 0;

	/** @param {Commands} commands */
	constructor(commands) {
		this.commands = commands;
		this.slot = slot();
		this.hint = el("span", { class: "hint" });
		this.input = el("input", {
			id: "next-file",
			type: "text",
			inputmode: "numeric",
			maxlength: 4,
			autocomplete: "off",
			enterkeyhint: "done",
			onchange: () => this.#send(this.input.value.trim()),
			onblur: () => this.#reset(),
		});
		const label = el("label", { for: "next-file" }, "Camera's file number of the next picture ", this.hint);
		this.node = el("div", { class: "past-field", hidden: true }, label, this.input, this.slot);
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const before = this.#next;
		this.#next = snap.next_file;
		text(this.hint, this.#next ? "each shot takes the next one" : "type it once, and each shot takes the next one");
		if (document.activeElement !== this.input || before !== this.#next) this.#reset();
	}

	#reset() {
		this.input.value = this.#next ? fileName(this.#next) : "";
	}

	/** @param {string} typed */
	#send(typed) {
		const file = fileNumber(typed);
		if (file === null) return show(this.slot, notAFile(typed));
		this.commands.send({ type: "file", file }, this.slot);
	}

	/** @param {boolean} able */
	enable(able) {
		attr(this.input, "disabled", !able);
	}
}
