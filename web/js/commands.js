// Pending commands: who sent them, and where the answer is shown. The page never changes because a command was sent;
// it changes when the machine reports it.

import { attr } from "./dom.js";
import { show, refusalText } from "./refusals.js";

/** @import { Command, Refusal } from "../protocol.d.ts" */
/** @import { Link } from "./link.js" */

/** @typedef {{ slot: HTMLElement, by: Element | null, onSettled?: (refusal: Refusal | null) => void }} Pending */

/** @type {Refusal} */
export const unanswered = { field: "", why: "The connection dropped before the answer.", remedy: "If it was not done, do it again." };

/** What was pressed shows that it waits for its answer when that has taken so long. */
const saidMs = 300;

/** What is being pressed, or was just filled in. @type {Element | null} */
let pressed = null;
for (const act of ["click", "change"]) {
	addEventListener(act, (e) => {
		pressed = e.target instanceof Element ? e.target.closest("button, input, select") : null;
		setTimeout(() => (pressed = null));
	}, true);
}

/** The commands that were sent and not yet answered. */
export class Commands {
	/** @type {Map<number, Pending>} */ #pending = new Map();
	/** Of the newest snapshot: the machine refuses commands from before a disarm. */
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
	 * @param {(refusal: Refusal | null) => void} [onSettled] called with the machine's answer
	 * @returns {boolean} whether it was sent
	 */
	send(command, slot, onSettled) {
		show(slot, null);
		const n = this.link.send({ ...command, epoch: this.epoch });
		if (n === 0) return false;
		this.#pending.set(n, { slot, by: pressed, onSettled });
		const by = pressed;
		if (by) setTimeout(() => this.#awaits(by) && attr(by, "aria-busy", "true"), saidMs);
		return true;
	}

	/** @param {Element} by */
	#awaits(by) {
		return [...this.#pending.values()].some((pending) => pending.by === by);
	}

	/** No longer pending. @param {Pending} pending @param {Refusal | null} refusal */
	#settle({ by, onSettled }, refusal) {
		if (by && !this.#awaits(by)) attr(by, "aria-busy", null);
		onSettled?.(refusal);
	}

	/** The machine carried it out. @param {number} re */
	done(re) {
		const pending = this.#pending.get(re);
		this.#pending.delete(re);
		if (pending) this.#settle(pending, null);
	}

	/** The machine refused it. @param {number} re @param {Refusal} refusal */
	refused(re, refusal) {
		const pending = this.#pending.get(re);
		this.#pending.delete(re);
		if (!pending) return;
		const place = this.place(refusal, pending.slot);
		show(place, refusal);
		this.#settle(pending, refusal);
		this.say(`Refused. ${refusalText(refusal)}`);
	}

	/** The connection dropped: pending commands may or may not have been carried out. */
	lost() {
		const all = [...this.#pending.values()];
		this.#pending.clear();
		for (const pending of all) {
			if (pending.by) show(pending.slot, unanswered);
			this.#settle(pending, unanswered);
		}
	}
}
