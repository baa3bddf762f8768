// The fields of camera, flash, room and background.

import { attr, button, el } from "../dom.js";
import { choiceField, quantityField } from "../fields.js";
import { show, slot } from "../refusals.js";
import { valueOf } from "../set.js";
import { choices, quantities, written } from "./labels.js";

/** @import { Refusal, Snapshot } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */
/** @import { Field } from "../fields.js" */

/** Fields whose values stand on a series of marks, and the list that they use. @type {Record<string, string>} */
const marked = {
	"camera.aperture": "aperture",
	"camera.widest": "aperture",
	"camera.narrowest": "aperture",
	"camera.iso": "iso",
	"camera.shutter": "shutter",
	"flash.power": "power",
	"flash.reading": "aperture",
	"background.reading": "aperture",
	"room.frame_open": "shutter",
};

/** How the machine writes what nobody has seen or measured yet: here the field is empty. */
const unknown = "unknown";

/** Fields that may have nothing in them, and how the machine writes that. @type {Record<string, string>} */
const nothing = {
	"flash.others": "none",
	"flash.figures": "none",
	"flash.reading": "none",
	"background.reading": "none",
};

/** @type {(field: string) => Refusal} */
const empty = (field) => ({ field, why: "This cannot be empty: the old value is kept.", remedy: "Type a new value." });

/** Fields for what was seen or measured. */
const seen = new Set(["flash.seen", "flash.smear", "room.ev", "room.frame_open", "room.frame_seen", "background.seen"]);

/**
 * A field by its name.
 * @param {string} name
 * @param {Commands} commands
 * @returns {Field}
 */
export function fieldNamed(name, commands) {
	const q = quantities[name];
	if (q) return quantityField({ name, label: q[0], unit: q[1], step: q[2], hint: q[3] }, commands);
	if (choices[name]) return choiceField(name, () => choices[name][1], commands);
	return writtenField(name, commands);
}

/**
 * What is typed as cameras and flash units write it, with a step up and down its marks.
 * @param {string} name
 * @param {Commands} commands
 * @returns {Field}
 */
function writtenField(name, commands) {
	const [label, hint] = written[name] ?? [name];
	const id = `f-${name.replace(".", "-")}`;
	const place = slot(`${id}-refusal`);
	let server = "";
	/** @type {string[]} */
	let marks = [];

	const input = el("input", {
		id,
		type: "text",
		enterkeyhint: "done",
		autocomplete: "off",
		spellcheck: "false",
		"aria-describedby": place.id,
		onchange: () => put(input.value.trim() || (seen.has(name) ? unknown : nothing[name] ?? "")),
		onkeydown: (/** @type {KeyboardEvent} */ e) => {
			if (e.key === "Escape") reset();
			if (["Escape", "Enter"].includes(e.key)) show(place, null); // Enter alone changes nothing
		},
	});
	if (seen.has(name) || nothing[name]) attr(input, "placeholder", nothing[name] ?? "not looked yet");

	/** @param {string} value */
	function put(value) {
		if (value === "" || value === server) {
			show(place, value === "" ? empty(name) : null);
			return reset();
		}
		const sent = commands.send({ type: "set", field: name, value }, place, (refusal) => {
			if (refusal) show(place, withBoth(refusal, value), `“${value}” was not accepted.`);
			reset();
		});
		if (!sent) reset();
	}

	/** A whole number alone may be either time: both are offered, up to the longest. @param {Refusal} refusal @param {string} typed */
	function withBoth(refusal, typed) {
		if (marked[name] !== "shutter" || !/^[1-9]\d*$/.test(typed)) return refusal;
		const times = Number(typed) <= 600 ? [`1/${typed}`, `${typed}"`] : [`1/${typed}`];
		const fixes = times.map((value) => ({ field: name, value }));
		return { ...refusal, fixes };
	}

	function reset() {
		input.value = server === unknown ? "" : server;
	}

	/** @param {number} way */
	function step(way) {
		const at = marks.indexOf(server);
		if (server === unknown) return put(marks[Math.floor(marks.length / 2)] ?? "");
		const near = at >= 0 ? at + way : marks.findIndex((m) => way * (size(m) - size(server)) * order(marks) > 0);
		if (marks[near] !== undefined) put(marks[near]);
	}

	const stepper = (/** @type {number} */ way, /** @type {string} */ sign, /** @type {string} */ word) =>
		button({ class: "step", "aria-label": `${label}: ${word} mark`, onclick: () => step(way) }, sign);
	const body = marked[name]
		? el("div", { class: "dial" }, stepper(-1, "−", "one before"), input, stepper(1, "+", "next"))
		: input;
	const about = hint ? el("span", { class: "hint" }, ` ${hint}`) : null;
	const node = el("div", { class: "field", "data-field": name }, el("label", { for: id }, label, about), body, place);
	return {
		name,
		node,
		slot: place,
		update(/** @type {Snapshot} */ snap) {
			const was = server;
			server = valueOf(snap.set, name);
			if (was !== server) show(place, null); // what was refused before says nothing any more
			marks = snap.lighting?.marks.find((m) => m.series === marked[name])?.values ?? marks;
			if (document.activeElement !== input || was !== server) reset();
		},
	};
}

/** The number in a mark: 5.6 of f/5.6, 0.008 of 1/125 s. @param {string} mark */
function size(mark) {
	const [, over = "0", under = "1"] = /([\d.]+)(?:\/([\d.]+))?/.exec(mark) ?? [];
	return Number(over) / Number(under);
}

/** 1 if marks rise, -1 if they fall. @param {string[]} marks */
const order = (marks) => Math.sign(size(marks[marks.length - 1]) - size(marks[0]));
