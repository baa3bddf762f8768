// The next shot: its timeline, the same as a list, and how exact it can be; or why it cannot be.

import { byId, el, intoSight, text } from "./dom.js";
import { budgetTable } from "./budget.js";
import { bandOf, drawTable, drawTimeline, timelineText } from "./drawings/timeline.js";
import { refusalText, show } from "./refusals.js";
import { ms } from "./units.js";
import { voice } from "./voice.js";

/** @import { Preview, Snapshot } from "../protocol.d.ts" */

export class NextShot {
	/** @type {Preview | null} */ #preview = null;
	#drawn = "";
	#wrong = "";

	constructor() {
		const redraw = new ResizeObserver(() => this.#draw());
		for (const id of ["coming-drawing", "table"]) redraw.observe(byId(id));
		for (const id of ["coming", "exact-fold"]) byId(id).addEventListener("toggle", () => this.#draw());
		for (const id of ["coming", "coming-values", "exact-fold"]) intoSight(byId(id));
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const preview = snap.preview;
		this.#preview = preview;
		text(byId("coming-summary"), preview?.summary ?? "There is no shot to draw: the set cannot work as it is.");
		show(byId("coming-refusal"), preview ? null : snap.refusal);
		const wrong = !preview && snap.refusal ? refusalText(snap.refusal) : "";
		if (wrong !== this.#wrong && wrong !== "") voice.say(`The set cannot work. ${wrong}`);
		this.#wrong = wrong;
		byId("coming").hidden = !preview;
		text(byId("coming-band"), preview ? bandWords(preview) : "");
		const list = byId("coming-list");
		const made = JSON.stringify(preview);
		if (list.dataset.made !== made) {
			list.dataset.made = made;
			list.replaceChildren(...(preview ? timelineText(preview) : []));
			byId("budget").replaceChildren(...(preview ? [budgetTable(preview.budget)] : []));
			byId("advice").replaceChildren(...(preview?.advice ?? []).map((a) => el("li", {}, a)));
		}
		this.#draw();
	}

	/** Draws what is in sight, as wide as it is. */
	#draw() {
		const [drawing, curve] = [byId("coming-drawing"), byId("table")];
		const wide = [drawing, curve].map((place) => (place.checkVisibility?.() ?? true ? Math.floor(place.clientWidth) : 0));
		const key = `${wide} ${JSON.stringify(this.#preview)}`;
		if (key === this.#drawn) return;
		this.#drawn = key;
		const preview = this.#preview;
		drawing.replaceChildren(...(preview && wide[0] > 0 ? [drawTimeline(preview, wide[0])] : []));
		const table = preview && wide[1] > 0 ? drawTable(preview, wide[1]) : null;
		curve.replaceChildren(...(table ? [table] : []));
	}
}

/** @param {Preview} p */
function bandWords(p) {
	if (p.delay_high_ms <= p.delay_low_ms) return "";
	const from = `${ms(p.delay_low_ms)} to ${ms(p.delay_high_ms)} ms`;
	return `Hatched: ${bandOf(p)}, ${from}.`;
}
