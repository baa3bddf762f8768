// What was measured in a camera's picture, typed: how far past its place along the path the liquid is. In practice the
// picture is dragged instead, or this is typed.

import { el, text } from "./dom.js";
import { show } from "./refusals.js";

/** @import { Kind, ShotView } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

/** How well a ruler in the picture is read, mm, standard deviation, where nobody says: own choice. */
const usualSD = (/** @type {Kind | ""} */ kind) => (kind === "throw" ? 5 : 1);

export class Measured {
	/** @type {ShotView | null} */ #shot = null;

	/** @param {Commands} commands @param {HTMLElement} place below which it stands */
	constructor(commands, place) {
		this.commands = commands;
		const field = (/** @type {string} */ id, /** @type {string} */ label) => {
			const input = /** @type {HTMLInputElement} */ (el("input", { id, type: "text", inputmode: "text", autocomplete: "off",
				enterkeyhint: "done", "aria-describedby": "past-hint past-refusal" }));
			input.addEventListener("change", () => this.#send());
			return { input, node: el("label", {}, label, input) };
		};
		const [past, sd] = [field("past", "Beyond its place, mm"), field("past-sd", "Uncertainty, mm")];
		this.past = past.input;
		this.sd = sd.input;
		this.hint = el("p", { id: "past-hint", class: "hint" });
		this.refusal = el("div", { id: "past-refusal", class: "refusal", hidden: true });
		this.node = el("div", { id: "measured", hidden: true }, el("div", { class: "sweep" }, past.node, sd.node), this.hint, this.refusal);
		place.after(this.node);
	}

	/** @param {ShotView} shot @param {boolean} holding */
	show(shot, holding) {
		const other = shot.id !== this.#shot?.id;
		this.#shot = shot;
		this.node.hidden = !shot.measurable || shot.problem !== "";
		this.past.disabled = this.sd.disabled = !holding;
		if (!other && [this.past, this.sd].some((i) => i === document.activeElement)) return;
		const past = `${shot.past_mm ?? ""}`.replace("-", "−");
		if (other || past !== this.past.value) show(this.refusal, null);
		this.past.value = past;
		this.sd.value = shot.past_sd_mm === null ? "" : `${shot.past_sd_mm}`;
		this.sd.placeholder = `${usualSD(shot.kind)}`;
		text(this.hint, `In the picture, along the path at its true size: 12 is ${shot.kind === "throw" ? "too far" : "too low"}, −12 short of it. Clear the field to withdraw it.`);
	}

	#send() {
		const shot = this.#shot;
		if (!shot) return;
		const past = number(this.past.value);
		const sd = this.past.value.trim() === "" ? 0 : this.sd.value.trim() === "" ? usualSD(shot.kind) : number(this.sd.value);
		const wrong = Number.isNaN(past) ? this.past.value : Number.isNaN(sd) ? this.sd.value : null;
		if (wrong !== null) {
			show(this.refusal, { field: "past_mm", why: `“${wrong}” is not a number.`, remedy: "Type millimetres, like −12 or 3.5.", fixes: [] });
			return;
		}
		if (this.past.value.trim() !== "" && sd <= 0) {
			show(this.refusal, { field: "past_sd_mm", why: "No measurement is without uncertainty.", remedy: "Type more than 0 mm, or leave it empty.", fixes: [] });
			return;
		}
		this.commands.send({ type: "measure", shot: shot.id, past_mm: past, past_sd_mm: sd }, this.refusal);
	}
}

/** Millimetres as people type them; 0: nothing is typed, NaN: it is no number. @param {string} typed */
function number(typed) {
	const plain = typed.trim().replace(",", ".").replace("−", "-");
	if (plain === "") return 0;
	return /^[-+]?(\d+\.?\d*|\.\d+)\s*(mm)?$/.test(plain) ? parseFloat(plain) : NaN;
}
