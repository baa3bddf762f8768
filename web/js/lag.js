// The camera's lag, measured: some releases, a histogram of what came back by its sync contact, and a tap to use it.

import { attr, button, byId, el, text } from "./dom.js";
import { histogram } from "./drawings/sensor.js";
import { pressAndHold, whyWords } from "./hold.js";
import { fixed } from "./units.js";

/** @import { Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

const releases = 10;

export class LagMeasurement {
	#drawn = "";

	/** @param {Commands} commands */
	constructor(commands) {
		const slot = byId("lag-refusal");
		this.start = button({}, `Hold to release the camera ${releases} times`);
		this.stop = button({ class: "stop", hidden: true, onclick: () => commands.send({ type: "disarm" }, slot) }, "Stop");
		this.use = button({ hidden: true, onclick: () => commands.send({ type: "uselag" }, slot) });
		this.drawing = el("div", { class: "drawing" });
		this.words = el("p", { "aria-live": "polite" });
		const note = el("p", { class: "hint" });
		pressAndHold(this.start, {
			ready: () => true,
			progress: (share) => attr(this.start, "aria-pressed", share > 0 && "true"),
			act: () => commands.send({ type: "lag", shots: releases }, slot),
			hint: (why) => text(note, whyWords[why]),
		});
		byId("lag").append(this.start, this.stop, note, this.drawing, this.words, this.use);
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const lag = snap.lag;
		this.start.hidden = lag.running;
		this.stop.hidden = !lag.running;
		const drawn = JSON.stringify(lag.bins);
		if (drawn !== this.#drawn) {
			this.#drawn = drawn;
			this.drawing.replaceChildren(...(lag.bins.length > 0 ? [histogram(lag)] : []));
		}
		const under = lag.running ? `Release ${lag.released} of ${lag.wanted}. ` : "";
		text(this.words, under + lag.words);
		this.use.hidden = !lag.usable;
		text(this.use, `Use ${fixed(lag.mean_ms, 1)} ms, scatter ${fixed(lag.sd_ms, 2)} ms, for this set`);
	}
}
