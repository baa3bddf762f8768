// Refusals, shown beside their cause, with fixes as buttons.

import { button, el } from "./dom.js";
import { icon } from "./icons.js";
import { changeText, fieldText, named } from "./set.js";

/** @import { Fix, Refusal } from "../protocol.d.ts" */

/** A place beside a control for its refusals. @param {string} [id] */
export function slot(id) {
	return el("div", { class: "refusal", hidden: true, id });
}

/**
 * Show a refusal in its place, or clear it with null.
 * @param {HTMLElement} place
 * @param {Refusal | null} refusal
 * @param {string} [before] what was typed, for instance
 */
export function show(place, refusal, before = "") {
	if (!refusal) {
		if (!place.hidden) place.replaceChildren();
		place.hidden = true;
		return;
	}
	const made = JSON.stringify([refusal, before, fieldText(refusal.field)]);
	if (!place.hidden && place.dataset.made === made) return;
	place.dataset.made = made;
	place.replaceChildren(
		icon("warn"),
		el(
			"div",
			{},
			el("p", {}, refusalText(refusal, before)),
			...(refusal.fixes ?? []).filter((f) => named(f.field)).map(fixButton),
			place.dataset.leads !== undefined && named(refusal.field) && leadButton(refusal.field),
		),
	);
	// One that lies over what is below it can be put away.
	if (place.closest(".says")) place.append(button({ class: "close", onclick: () => show(place, null) }, "Close"));
	place.hidden = false;
	// Under the bar nobody would see it. Where a finger pressed, nothing moves.
	const field = place.closest(".field");
	if (field?.contains(document.activeElement) && document.activeElement?.matches("input, select")) {
		place.scrollIntoView({ block: "nearest" });
	}
}

/** The button of a fix; the page listens for it, and makes its changes in order. @param {Fix} fix */
export function fixButton(fix) {
	const { field, value, also = [] } = fix;
	const words = [fix, ...also].map((f) => changeText(f.field, f.value)).join("; ");
	return button({ class: "fix", "data-field": field, "data-value": value, "data-also": JSON.stringify(also) }, words);
}

/** A button that leads to a field; the page listens for it. @param {string} field @param {string} [words] */
export const leadButton = (field, words = `Change “${fieldText(field)}”`) =>
	button({ class: "lead-to", "data-free": true, "data-lead": field }, words);

/** A refusal in one line. @param {Refusal} refusal @param {string} [before] */
export function refusalText(refusal, before = "") {
	return [before, sentence(refusal.why), sentence(refusal.remedy)].filter((s) => s !== "").join(" ");
}

/** With a capital, unless it begins with a file's name, and a full stop. @param {string} s */
export function sentence(s) {
	const t = s.trim();
	if (t === "") return "";
	const head = /^\S+\.\w/.test(t) ? t : t[0].toUpperCase() + t.slice(1);
	return /[.!?]$/.test(head) ? head : `${head}.`;
}
