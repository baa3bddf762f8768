// The country by whose rules the machine's Wi-Fi is used. Only a machine that leaves this to the page has it.

import { attr, byId, el, text } from "./dom.js";
import { refusalText } from "./refusals.js";
import { voice } from "./voice.js";

/** @import { RadioView, Refusal } from "../protocol.d.ts" */

const nowhere = "The machine does not answer. Is it running, and is this phone on its network?";

export class Radio {
	#select = /** @type {HTMLSelectElement} */ (byId("radio-country"));
	#country = "";

	constructor() {
		this.#select.addEventListener("change", () => this.#choose(this.#select.value));
	}

	/** Ask the machine. Nothing is shown until it has answered. */
	async load() {
		const answer = await ask("/radio");
		if (!answer?.ok) return;
		/** @type {RadioView} */
		const view = await answer.json();
		this.#country = view.country;
		const names = new Intl.DisplayNames(["en"], { type: "region" });
		const named = view.countries.map((code) => ({ code, name: names.of(code) ?? code }));
		named.sort((a, b) => a.name.localeCompare(b.name));
		this.#select.replaceChildren(
			el("option", { value: "", disabled: true }, "Not chosen yet"),
			...named.map(({ code, name }) => el("option", { value: code }, name)),
		);
		this.#show(view.problem);
		byId("radio").hidden = false;
		if (view.country === "") byId("radio-fold").setAttribute("open", "");
	}

	/** @param {string} country */
	async #choose(country) {
		attr(this.#select, "disabled", true);
		const answer = await ask("/radio", {
			method: "POST",
			headers: { "Content-Type": "application/json" },
			body: JSON.stringify({ country }),
		});
		attr(this.#select, "disabled", false);
		if (answer?.ok) this.#country = country;
		this.#show(answer?.ok ? "" : answer ? await why(answer) : nowhere);
		voice.say(byId("radio-words").textContent ?? "");
		this.#select.focus();
	}

	/** @param {string} refused why it was not changed, "" it was */
	#show(refused) {
		this.#select.value = this.#country;
		const slot = byId("radio-refusal");
		slot.hidden = refused === "";
		text(slot, refused);
		const chosen = this.#country !== "";
		text(byId("radio-said"), chosen ? this.#country : "not chosen yet");
		text(
			byId("radio-words"),
			refused !== ""
				? refused
				: chosen
					? "The machine's Wi-Fi follows the rules of this country. It may drop out for a moment after a change."
					: "Until you choose one, the machine's Wi-Fi keeps to what is allowed everywhere.",
		);
	}
}

/** Ask the machine; null: it does not answer. @param {string} path @param {RequestInit} [what] */
async function ask(path, what) {
	try {
		return await fetch(path, { cache: "no-store", signal: AbortSignal.timeout(8000), ...what });
	} catch {
		return null;
	}
}

/** Why it refused, in words. @param {Response} answer */
async function why(answer) {
	try {
		return refusalText(/** @type {Refusal} */ (await answer.json()));
	} catch {
		return `The machine refused it (${answer.status}).`;
	}
}
