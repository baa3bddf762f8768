// Commands under way: who asked, and where the answer is shown. Nothing on the page changes because something was
// asked; it changes when the machine says so.

import { show, tell } from "./refusals.js";

/** @import { Command, Refusal } from "../protocol.d.ts" */
/** @import { Link } from "./link.js" */

/** @typedef {{ slot: HTMLElement, settled?: (refusal: Refusal | null) => void }} Under */

/** The commands that were sent and not yet answered. */
export class Asks {
	/** @type {Map<number, Under>} */ #under = new Map();
	/** Of the newest snapshot: nothing asked before a disarm is done after it. */
	epoch = 0;

	/**
	 * @param {Link} link
	 * @param {(refusal: Refusal, slot: HTMLElement) => HTMLElement} place where a refusal belongs
	 * @param {(words: string) => void} say for screen readers
	 */
	constructor(link, place, say) {
		this.link = link;
		this.place = place;
		this.say = say;
	}

	/**
	 * Send a command; a refusal is shown in its field's place, or in the given one.
	 * @param {Command} command
	 * @param {HTMLElement} slot
	 * @param {(refusal: Refusal | null) => void} [settled] told once the machine has answered
	 * @returns {boolean} whether it was sent
	 */
	ask(command, slot, settled) {
		show(slot, null);
		const n = this.link.send({ ...command, epoch: this.epoch });
		if (n === 0) return false;
		this.#under.set(n, { slot, settled });
		return true;
	}

	/** The machine did it. @param {number} re */
	done(re) {
		this.#under.get(re)?.settled?.(null);
		this.#under.delete(re);
	}

	/** The machine did not. @param {number} re @param {Refusal} refusal */
	refused(re, refusal) {
		const under = this.#under.get(re);
		this.#under.delete(re);
		if (!under) return;
		const place = this.place(refusal, under.slot);
		show(place, refusal);
		under.settled?.(refusal);
		this.say(`Not taken. ${tell(refusal)}`);
	}

	/** The line dropped: whatever was asked may or may not have been done, and the next snapshot tells. */
	lost() {
		const all = [...this.#under.values()];
		this.#under.clear();
		for (const under of all) {
			under.settled?.({ field: "", why: "the line dropped before the answer", remedy: "" });
		}
	}
}
