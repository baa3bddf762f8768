// The screen that asks for the code, short or long as the machine shows it, which may change meanwhile.

import { byId, text } from "./dom.js";
import { pair, paired } from "./link.js";
import { voice } from "./voice.js";

/** How often a waiting screen checks whether the code is still of the same form. */
const pollMs = 4000;

const shortWords = "six digits";
const longWords = "ten letters and digits";

const screen = byId("pairing");
const input = /** @type {HTMLInputElement} */ (byId("pair-code"));
const refusal = byId("pair-refusal");

export class PairScreen {
	/** Whether the code is long; null: not asked yet. @type {boolean | null} */ #long = null;
	#service = false;
	/** @type {ReturnType<typeof setInterval> | undefined} */ #looking;

	/** @param {() => void} done called when this phone is paired */
	constructor(done) {
		this.done = done;
		byId("pair-form").addEventListener("submit", (e) => {
			e.preventDefault();
			if (input.value.trim() === "") input.focus();
			else this.pair(input.value);
		});
		document.addEventListener("visibilitychange", () => this.#look());
	}

	/** @param {string} why */
	show(why) {
		document.title = "Pair this phone · Stillwater";
		screen.hidden = false;
		text(byId("pair-why"), why);
		clearInterval(this.#looking);
		this.#looking = setInterval(() => this.#look(), pollMs);
		this.#look();
		input.focus();
	}

	hide() {
		screen.hidden = true;
		clearInterval(this.#looking);
	}

	/** Pair with a code. @param {string} code */
	async pair(code) {
		const button = /** @type {HTMLButtonElement} */ (screen.querySelector("button"));
		button.disabled = true;
		const { why, long } = await pair(code);
		button.disabled = false;
		if (why === "") input.value = "";
		input.toggleAttribute("aria-invalid", why !== "");
		this.#say(why);
		if (why === "") this.done();
		else if (!this.#ask(long)) input.select();
	}

	/** @param {string} words "": nothing */
	#say(words) {
		refusal.hidden = words === "";
		text(refusal, words);
		if (words !== "") voice.say(words);
	}

	/** Ask the machine which form of code it shows. */
	async #look() {
		if (screen.hidden || document.visibilityState !== "visible") return;
		const { state, long, place } = await paired();
		if (screen.hidden) return;
		if (state === "unpaired") {
			this.#service = place === "service";
			for (const one of ["terminal", "service", "card"]) byId(`pair-${one}`).hidden = place !== one;
		}
		if (state === "paired") this.done();
		else if (state === "unpaired" && this.#ask(long)) {
			const where = this.#service ? "Ask for it again with the command." : "Look at its screen.";
			this.#say(`The machine shows a new code of ${long ? longWords : shortWords} now. ${where}`);
		}
	}

	/**
	 * Ask for a code of that form; null leaves it. Returns whether the form has changed.
	 * @param {boolean | null} long
	 */
	#ask(long) {
		if (long === null || long === this.#long) return false;
		const first = this.#long === null;
		this.#long = long;
		text(byId("pair-form-words"), long ? longWords : shortWords);
		screen.dataset.form = long ? "long" : "short";
		input.inputMode = long ? "text" : "numeric";
		if (!first) input.value = "";
		// The keyboard changes when the field is entered.
		if (document.activeElement === input) {
			input.blur();
			input.focus();
		}
		return !first;
	}
}
