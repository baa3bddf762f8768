// How it is armed: at once or after a delay, for real or as a dry run, with repeated Gos or not. This phone chooses. A
// reload keeps only the delay, so that nobody begins the others by mistake.

import { attr, button, byId, text } from "./dom.js";
import { setTabItem, tabItem } from "./store.js";

/** @import { Command, Room, Snapshot } from "../protocol.d.ts" */

const delays = [0, 3, 5, 10, 30];
/** Seconds between two Gos; 0: each by hand. */
const repeats = [0, 5, 8, 15, 30];

export class Arming {
	#delay = Number(tabItem("delay") ?? 0);
	#dry = false;
	#repeat = 0;
	/** Seconds between what is let go by itself in the simulated room; 0: each by a tap. */ #pace = 0;
	/** Those to choose from. @type {number[]} */ #paces = [];
	/** Whether something can be let go by itself. */ #paced = false;
	/** Whether the set waits for Go. */ #waits = false;

	/** @param {() => void} changed */
	constructor(changed) {
		this.changed = changed;
		if (!delays.includes(this.#delay)) this.#delay = 0;
		byId("arming-delay").append(
			...delays.map((s) => button({ "data-delay": s, onclick: () => this.#choose(s) }, s === 0 ? "At once" : `${s} s`)),
		);
		byId("arming-repeat").append(
			...repeats.map((s) => button({ "data-repeat": s, onclick: () => this.#chooseRepeat(s) }, s === 0 ? "By hand" : `${s} s`)),
		);
		byId("arming-dry").addEventListener("click", () => {
			this.#dry = !this.#dry;
			if (this.#dry) this.#repeat = 0;
			this.#show();
		});
		this.#show();
	}

	/** @param {Snapshot} snap */
	update(snap) {
		this.#waits = waitsForGo(snap);
		byId("arming-again").hidden = !this.#waits;
		byId("arming-dry-why").hidden = !this.#waits;
		this.#paced = snap.room !== null && snap.set.kind !== "drops";
		byId("arming-paced").hidden = !this.#paced;
		if (snap.room) this.#offer(snap.room);
		this.#show();
	}

	/** Paces that this set can be practised at; one that it cannot becomes the next longer one. @param {Room} room */
	#offer(room) {
		text(byId("arming-pace-why"), room.pace_says);
		if (byId("arming-pace").firstChild && `${room.paces}` === `${this.#paces}`) return;
		this.#paces = room.paces;
		if (this.#pace > 0) this.#pace = this.#paces.find((s) => s >= this.#pace) ?? 0;
		byId("arming-pace").replaceChildren(
			...[0, ...this.#paces].map((s) => button({ "data-pace": s, onclick: () => this.#choosePace(s) }, s === 0 ? "By a tap" : `${s} s`)),
		);
	}

	/** What a hold of the button does. */
	get word() {
		const what = this.#dry ? "Hold: dry run" : "Hold to arm";
		const words = this.#delay === 0 ? what : `${what} in ${this.#delay} s`;
		const paced = this.#letsGo === 0 ? words : `${words}, one every ${this.#letsGo} s`;
		return this.#every === 0 ? paced : `${paced}, Go every ${this.#every} s`;
	}

	/** Seconds between two Gos, if the set waits for Go. */
	get #every() {
		return this.#waits ? this.#repeat : 0;
	}

	/** Seconds between what is let go by itself. */
	get #letsGo() {
		return this.#paced ? this.#pace : 0;
	}

	/** What goes with the command. @returns {Partial<Command>} */
	get fields() {
		return {
			...(this.#delay > 0 && { delay_s: this.#delay }),
			...(this.#dry && { dry: true }),
			...(this.#every > 0 && { repeat_s: this.#every }),
			...(this.#letsGo > 0 && { pace_s: this.#letsGo }),
		};
	}

	/** @param {number} seconds */
	#chooseRepeat(seconds) {
		this.#repeat = seconds;
		if (seconds > 0) [this.#dry, this.#pace] = [false, 0];
		this.#show();
	}

	/** @param {number} seconds */
	#choosePace(seconds) {
		this.#pace = seconds;
		if (seconds > 0) this.#repeat = 0; // Go comes with each
		this.#show();
	}

	/** @param {number} seconds */
	#choose(seconds) {
		this.#delay = seconds;
		setTabItem("delay", `${seconds}`);
		this.#show();
	}

	#show() {
		for (const b of byId("arming-delay").children) attr(b, "aria-pressed", `${b.getAttribute("data-delay") === `${this.#delay}`}`);
		for (const b of byId("arming-repeat").children) attr(b, "aria-pressed", `${b.getAttribute("data-repeat") === `${this.#repeat}`}`);
		for (const b of byId("arming-pace").children) attr(b, "aria-pressed", `${b.getAttribute("data-pace") === `${this.#pace}`}`);
		attr(byId("arming-dry"), "aria-checked", `${this.#dry}`);
		this.changed();
	}
}

/** Whether nothing happens until Go. @param {Snapshot} snap */
const waitsForGo = (snap) => snap.set.kind === "drops" || (snap.preview?.bars.some((b) => b.opening) ?? false);
