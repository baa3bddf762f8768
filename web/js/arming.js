// How it is armed: at once or after a delay, for real or as a dry run. The choice is this phone's until it arms. A
// reload keeps the delay; a dry run is asked for each time, so that nobody shoots one by mistake.

import { attr, button, byId } from "./dom.js";
import { setTabItem, tabItem } from "./store.js";

/** @import { Command, Snapshot } from "../protocol.d.ts" */

const delays = [0, 3, 5, 10, 30];

export class Arming {
	#delay = Number(tabItem("delay") ?? 0);
	#dry = false;

	/** @param {() => void} changed */
	constructor(changed) {
		this.changed = changed;
		if (!delays.includes(this.#delay)) this.#delay = 0;
		byId("arming-delay").append(
			...delays.map((s) => button({ "data-delay": s, onclick: () => this.#choose(s) }, s === 0 ? "At once" : `${s} s`)),
		);
		byId("arming-dry").addEventListener("click", () => {
			this.#dry = !this.#dry;
			this.#show();
		});
		this.#show();
	}

	/** What a hold of the button does. */
	get word() {
		const what = this.#dry ? "Hold: dry run" : "Hold to arm";
		return this.#delay === 0 ? what : `${what} in ${this.#delay} s`;
	}

	/** What goes with the command. @returns {Partial<Command>} */
	get fields() {
		return { ...(this.#delay > 0 && { delay_s: this.#delay }), ...(this.#dry && { dry: true }) };
	}

	/** @param {number} seconds */
	#choose(seconds) {
		this.#delay = seconds;
		setTabItem("delay", `${seconds}`);
		this.#show();
	}

	#show() {
		for (const b of byId("arming-delay").children) attr(b, "aria-pressed", `${b.getAttribute("data-delay") === `${this.#delay}`}`);
		attr(byId("arming-dry"), "aria-checked", `${this.#dry}`);
		this.changed();
	}
}

/** What a dry run has shown. @param {Snapshot} snap */
export const dryWords = (snap) => snap.dry_shots.map((s) => `No. ${s.number}: ${s.words}`);
