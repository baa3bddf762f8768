// Light, focus and framing, and what an evening needs: loaded when one of them is first unfolded.

import { byId, text } from "./dom.js";
import { styled } from "./styles.js";

/** @import { Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */
/** @import { Field } from "./fields.js" */
/** @import { Evening } from "./studio/evening.js" */
/** @import { Guide } from "./studio/guide.js" */

/** The points of the evening's list that belong to a step of the guide. */
export const inSteps = ["focus", "away"];

/** How far the guide is: what is to change counts first. @param {Snapshot} snap */
function stepsToDo(snap) {
	const steps = snap.lighting?.steps ?? [];
	const change = steps.filter((s) => s.verdict === "change").length;
	const open = snap.evening.filter((e) => !e.ticked).map((e) => e.id);
	const left = steps.filter((s) => s.verdict === "unknown" || open.includes(s.id)).length;
	if (change > 0) return `${change} to change`;
	if (left > 0) return left === steps.length ? `${left} steps` : `${left} of ${steps.length} steps to do`;
	return steps.length > 0 ? `all ${steps.length} steps done` : "";
}

export class Studio {
	/** @type {Promise<void> | null} */ #loading = null;
	/** @type {(Guide | Evening)[]} */ #parts = [];
	/** @type {Snapshot | null} */ #snap = null;

	/** @param {Commands} commands @param {(fields: Field[]) => void} add takes the fields that are new on the page */
	constructor(commands, add) {
		this.commands = commands;
		this.add = add;
		for (const id of ["guide-fold", "evening-fold"]) {
			const fold = byId(id);
			const opened = () => fold.hasAttribute("open") && this.#opened(id);
			fold.addEventListener("toggle", opened);
			opened();
		}
	}

	/** @param {Snapshot} snap */
	show(snap) {
		this.#snap = snap;
		const open = snap.evening.filter((e) => !e.ticked && !inSteps.includes(e.id)).length;
		text(byId("evening-count"), open === 0 ? "all there" : `${open} left`);
		text(byId("guide-count"), stepsToDo(snap));
		for (const part of this.#parts) part.show(snap);
	}

	/** Its fields, wherever they are folded in. */
	load() {
		return (this.#loading ??= this.#load());
	}

	/** @param {string} id of the fold */
	async #opened(id) {
		const wait = byId(id.replace("-fold", "-wait"));
		if (this.#parts.length === 0) text(wait, "One moment.");
		try {
			await this.load();
			text(wait, "");
		} catch {
			this.#loading = null;
			text(wait, "This part of the page could not be loaded. Close it and open it again when the machine answers.");
		}
	}

	async #load() {
		const [{ Guide }, { Evening }] = await Promise.all([
			import("./studio/guide.js"),
			import("./studio/evening.js"),
			styled("studio.css"),
		]);
		const guide = new Guide(byId("guide"), this.commands, this.add);
		this.#parts = [guide, new Evening(byId("evening-list"), this.commands)];
		if (this.#snap) this.show(this.#snap);
	}
}
