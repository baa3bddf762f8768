// The set as fields: measured distances with a fixed unit and big steps, and choices from lists. A field always shows
// the machine's value, except while someone is typing in it.

import { unanswered } from "./commands.js";
import { button, el, text } from "./dom.js";
import { show, slot } from "./refusals.js";
import { chosen, valueOf, worksOutGap } from "./set.js";
import { fixed, inUnit, signed, tidy, withUnit } from "./units.js";

/** @import { Choice, DropsSet, Refusal, Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */
/** @import { Quantity } from "./set.js" */

/** How a unit reads beside a field, short and spoken. @type {Record<string, [string, string]>} */
const unitWords = {
	cm: ["cm", "centimetres"],
	mm: ["mm", "millimetres"],
	deg: ["°", "degrees"],
	"m/s": ["m/s", "metres a second"],
	C: ["°C", "degrees Celsius"],
	ms: ["ms", "milliseconds"],
	s: ["s", "seconds"],
	"": ["", ""],
};

/**
 * @typedef {object} Field
 * @property {string} name
 * @property {HTMLElement} node
 * @property {HTMLElement} slot for refusals
 * @property {(snap: Snapshot) => void} update
 */

/**
 * The machine's text as a number in the field's unit; unparsable text is shown unchanged.
 * @param {string} printed
 * @param {string} unit
 */
function shown(printed, unit) {
	const v = inUnit(printed, unit);
	return v === null ? printed : String(v).replace(/^-/, "−");
}

/** @type {Refusal} */
const notSent = { field: "", why: "the machine is not connected", remedy: "Change it again when it is." };

/** @type {(name: string, id: string, label: string, hint: Node | null, ...kids: Node[]) => HTMLElement} */
const fieldFrame = (name, id, label, hint, ...kids) =>
	el("div", { class: "field", "data-field": name }, el("label", { for: id }, label, hint), ...kids);

/**
 * A measured quantity: label, steps, number and unit, and a place for a refusal.
 * @param {Quantity} q
 * @param {Commands} commands
 * @returns {Field & { id: string, change: (by: number) => void }}
 */
export function quantityField(q, commands) {
	const id = `f-${q.name.replaceAll(".", "-")}`;
	const [short, spoken] = unitWords[q.unit] ?? [q.unit, q.unit];
	const place = slot(`${id}-refusal`);
	let server = "";
	/** @type {string | null} what was last sent and not yet answered */
	let under = null;

	const input = el("input", {
		id,
		type: "text",
		inputmode: "decimal",
		enterkeyhint: "done",
		autocomplete: "off",
		spellcheck: "false",
		"aria-describedby": `${id}-unit ${place.id}`,
		onchange: () => put(withUnit(input.value, q.unit), input.value),
		onkeydown: (/** @type {KeyboardEvent} */ e) => {
			if (e.key === "Escape") reset();
			if (["Escape", "Enter"].includes(e.key)) show(place, null); // Enter alone changes nothing
			if (e.key === "ArrowUp") change(e, q.step);
			if (e.key === "ArrowDown") change(e, -q.step);
		},
	});

	/** @param {string} value @param {string} [typed] what was typed for it */
	function put(value, typed = value) {
		if (value === server && under === null) {
			show(place, null);
			return reset();
		}
		const notTaken = `“${typed}” was not accepted.`;
		const sent = commands.send({ type: "set", field: q.name, value }, place, (refusal) => {
			if (under === value) under = null;
			if (refusal) show(place, refusal, refusal === unanswered || refusal.why.includes(typed) ? "" : notTaken);
			reset();
		});
		if (sent) {
			under = value;
			return;
		}
		show(place, notSent, notTaken);
		reset();
	}

	function reset() {
		const want = shown(server, q.unit);
		if (input.value !== want) input.value = want;
	}

	/** From the last value sent, so that quick taps add up. @param {Event | null} e @param {number} by */
	function change(e, by) {
		e?.preventDefault();
		const from = inUnit(under ?? server, q.unit);
		if (from !== null) put(withUnit(String(tidy(from + by)), q.unit));
	}

	const stepper = (/** @type {number} */ way, /** @type {string} */ sign, /** @type {string} */ word) =>
		button(
			{
				class: "step",
				"aria-label": `${q.label}: ${q.step} ${spoken} ${word}`,
				onclick: () => change(null, way * q.step),
			},
			sign,
		);

	const unit = el("span", { class: "unit", id: `${id}-unit`, "aria-label": spoken }, short);
	const reading = el("span", { class: "reading" }, input, unit);
	const dial = el("div", { class: "dial" }, stepper(-1, "−", "less"), reading, stepper(1, "+", "more"));
	const node = fieldFrame(q.name, id, q.label, q.hint ? el("span", { class: "hint" }, ` ${q.hint}`) : null, dial, place);
	return {
		name: q.name,
		id,
		node,
		slot: place,
		change: (/** @type {number} */ by) => change(null, by),
		update(snap) {
			const was = server;
			server = valueOf(snap.set, q.name);
			if (was !== server) show(place, null); // what was refused before says nothing any more
			if (document.activeElement !== input || was !== server) reset();
		},
	};
}

/**
 * A choice from a list.
 * @param {string} name
 * @param {(snap: Snapshot) => Choice[]} choices
 * @param {Commands} commands
 * @returns {Field}
 */
export function choiceField(name, choices, commands) {
	const id = `f-${name.replaceAll(".", "-")}`;
	const place = slot(`${id}-refusal`);
	let server = "";
	const hint = el("span", { class: "hint", id: `${id}-hint` });
	const describedby = `${hint.id} ${place.id}`;
	const select = el("select", { id, "aria-describedby": describedby, onchange: () => put(select.value) });

	/** @param {string} value */
	function put(value) {
		select.value = server;
		if (value !== server && !commands.send({ type: "set", field: name, value }, place)) show(place, notSent);
	}

	const node = fieldFrame(name, id, chosen[name], null, select, hint, place);
	return {
		name,
		node,
		slot: place,
		update(snap) {
			const list = choices(snap);
			const key = list.map((c) => `${c.value}\n${c.label}`).join("\n\n");
			if (select.dataset.list !== key) {
				select.dataset.list = key;
				select.replaceChildren(...list.map((c) => el("option", { value: c.value }, c.label)));
			}
			server = valueOf(snap.set, name);
			if (select.value !== server) select.value = server;
			const means = list.find((c) => c.value === server)?.hint ?? "";
			hint.hidden = means === "";
			text(hint, means);
		},
	};
}

/**
 * A text that the machine reads, such as a table.
 * @param {string} name
 * @param {string} hint
 * @param {Commands} commands
 * @returns {Field}
 */
export function textField(name, hint, commands) {
	const id = `f-${name.replaceAll(".", "-")}`;
	const place = slot(`${id}-refusal`);
	let server = "";
	const input = el("input", {
		id,
		type: "text",
		autocomplete: "off",
		spellcheck: "false",
		enterkeyhint: "done",
		"aria-describedby": place.id,
		onchange: () => put(input.value),
	});

	/** @param {string} value */
	function put(value) {
		if (value === server) return show(place, null);
		const sent = commands.send({ type: "set", field: name, value }, place, () => {
			input.value = server;
		});
		if (!sent) show(place, notSent);
	}

	return {
		name,
		node: fieldFrame(name, id, chosen[name], el("span", { class: "hint" }, ` ${hint}`), input, place),
		slot: place,
		update(snap) {
			const was = server;
			server = valueOf(snap.set, name);
			if (was !== server) show(place, null);
			if (document.activeElement !== input || was !== server) input.value = server;
		},
	};
}

/**
 * A field of drops on command that is there only in some sets.
 * @param {Field} field
 * @param {(d: DropsSet) => boolean} when
 * @returns {Field}
 */
export function showWhen(field, when) {
	return {
		...field,
		update(snap) {
			field.update(snap);
			field.node.hidden = !when(snap.set.drops);
		},
	};
}

/**
 * A trim: what it is, the number to type, and six steps from earlier to later. Aside is a place for one more button.
 * @param {Quantity} q
 * @param {Commands} commands
 * @param {{ what: string, side: (snap: Snapshot) => string, total: (snap: Snapshot) => string }} words
 * @param {() => void} [swap] shows another trim in its place
 * @returns {Field & { aside: HTMLElement, about: HTMLElement }}
 */
export function trimField(q, commands, words, swap) {
	const inner = quantityField(q, commands);
	const dial = /** @type {HTMLElement} */ (inner.node.querySelector(".dial"));
	inner.node.querySelector("label")?.remove();
	const reading = /** @type {HTMLElement} */ (dial.querySelector(".reading"));
	const side = el("span", { class: "side" });
	const total = el("output", { class: "total" });
	const aside = el("div", { class: "aside" });
	const nudge = (/** @type {number} */ by) => {
		const way = by < 0 ? "earlier" : "later";
		const attrs = { class: "nudge", "data-nudge": by, onclick: () => inner.change(by) };
		return button(attrs, el("b", {}, signed(by, 0)), el("span", {}, "ms"), el("i", { class: "spoken" }, `, ${way}`));
	};
	const label = el("label", { for: inner.id }, "Trim", el("span", { class: "spoken" }, ` of the ${words.what}`));
	const about = el("div", { class: "about" }, label, side, total);
	const other = button({ class: "swap", hidden: true, onclick: swap }, `Trim: ${words.what} ⇄`);
	about.append(other);
	const steps = el("div", { class: "nudges" }, ...[-10, -5, -1, 1, 5, 10].map(nudge));
	dial.replaceChildren(about, reading, aside, steps);
	dial.classList.add("trim");
	return {
		...inner,
		aside,
		about,
		update(snap) {
			inner.update(snap);
			text(side, words.side(snap));
			text(total, words.total(snap));
			other.hidden = !swap || !worksOutGap(snap.set);
			label.classList.toggle("spoken", !other.hidden);
			total.hidden = !other.hidden;
		},
	};
}

/** What a trim of the delay says beside it. */
export const delayWords = {
	what: "delay",
	side: () => "− earlier, + later",
	total: (/** @type {Snapshot} */ snap) => (snap.preview ? `Delay ${fixed(snap.preview.delay_ms, 1)} ms` : ""),
};

/** What a trim of the gap says beside it: a later drop meets a column that rises higher, and one that sinks lower. */
export const gapWords = {
	what: "gap",
	side: (/** @type {Snapshot} */ snap) => (snap.set.drops.column === "rising" ? "− lower, + higher" : "− higher, + lower"),
	total: () => "of the collision",
};

/**
 * Show why the set as a whole cannot work beside the field to change, and clear it when it can.
 * @param {Field[]} fields
 * @param {Refusal | null} refusal
 * @param {{ field: string }} last the field it was last shown at
 */
export function placeRefusal(fields, refusal, last) {
	const at = refusal ? fields.find((f) => f.name === refusal.field) : undefined;
	if (last.field !== "" && last.field !== at?.name) {
		const old = fields.find((f) => f.name === last.field);
		if (old) show(old.slot, null);
	}
	last.field = at?.name ?? "";
	if (at && refusal) show(at.slot, refusal);
}
