// Each sensor with a picture of what it is now, and a meter that is read from two metres.

import { attr, button, byId, el, keyed, text } from "./dom.js";
import { sensorPicture } from "./drawings/sensor.js";
import { LevelBar } from "./level.js";
import { sentence } from "./refusals.js";
import { Sounder } from "./sounder.js";
import { ms } from "./units.js";
import { capital } from "./words.js";

/** @import { Break, InputView, Snapshot } from "../protocol.d.ts" */
/** @import { Tone } from "./signals.js" */
/** @import { Commands } from "./commands.js" */

/** What a sensor is: at rest, and active. @type {Record<string, [string, string]>} */
const words = {
	gate: ["Clear", "Broken"],
	beam: ["Clear", "Broken"],
	microphone: ["Quiet", "Heard"],
	sync: ["Open", "Closed"],
	kill: ["Released", "Pressed"],
	button: ["Up", "Pressed"],
};

/** What tries it. @type {Record<string, string>} */
const tries = {
	gate: "Break it with your finger.",
	beam: "Break it with your finger.",
	microphone: "Clap.",
	sync: "Release the camera by hand.",
	kill: "Press it, then release it. Disarm clears the fault.",
	button: "Press it.",
};

/** What a finger does in the simulated room. @type {Record<string, string>} */
const fingers = { gate: "Put a finger in it", beam: "Put a finger in it", button: "Press it" };

/** Heard when a sensor becomes active, while its meter is open. @type {Tone[]} */
const click = [[1320, 60]];

/** @typedef {{ row: HTMLElement, head: HTMLButtonElement, picture: HTMLElement, word: HTMLElement, line: HTMLElement,
 *   more: HTMLElement, big: HTMLElement, length: HTMLElement, count: HTMLElement, hint: HTMLElement,
 *   finger: HTMLElement, level: LevelBar, active: boolean | null }} Row */

export class Sensors {
	/** @type {Map<string, Row>} */ #rows = new Map();
	#sounder = new Sounder();
	#open = "";
	#beeps = false;

	/** @param {Commands} commands @param {() => void} refresh shows the newest snapshot again */
	constructor(commands, refresh) {
		this.commands = commands;
		this.refresh = refresh;
		this.slot = byId("inputs-refusal");
	}

	/** @param {Snapshot} snap */
	show(snap) {
		keyed(
			byId("inputs"),
			snap.inputs,
			(i) => `${i.name} ${i.role}`,
			(i) => this.#make(i),
			(node, i) => {
				const row = this.#rows.get(i.name);
				if (row?.row === node) this.#showRow(row, i, snap.room !== null);
			},
		);
	}

	/** @param {InputView} input */
	#make(input) {
		const { name } = input;
		const part = (/** @type {string} */ kind) => el("span", { class: kind });
		const more = el("div", { class: "meter", id: `meter-${name.replaceAll(" ", "-")}`, hidden: true });
		/** @type {Row} */
		const row = {
			row: el("li", { "data-role": input.role }), picture: part("sensor-now"), word: part("sensor-word"),
			line: part("sensor-line"), more, big: el("p", { class: "meter-word" }), length: el("p", { class: "meter-length" }),
			count: el("p", { class: "meter-count" }), hint: el("p", { class: "hint" }),
			finger: button({ class: "finger", onclick: () => this.#touch(name) }, fingers[input.role] ?? ""),
			level: new LevelBar(name, (level) => this.commands.send({ type: "threshold", input: name, level }, this.slot)),
			head: button({ class: "sensor", "aria-controls": more.id, onclick: () => this.#toggle(name) }), active: null,
		};
		const title = part("sensor-name");
		text(title, capital(name) + (input.role === name ? "" : ` (${input.role})`));
		row.head.append(row.picture, title, row.word, row.line);
		const beep = button({ role: "switch", "data-free": true, onclick: () => this.#beep() }, "Beep when it changes");
		more.append(row.big, row.length, row.count, row.hint, row.level.node, row.finger, beep);
		row.row.append(row.head, more);
		this.#rows.set(name, row);
		return row.row;
	}

	/** @param {Row} row @param {InputView} i @param {boolean} simulated */
	#showRow(row, i, simulated) {
		const [rest, active] = words[i.role] ?? ["Low", "High"];
		const open = this.#open === i.name;
		if (row.active !== i.active) {
			row.picture.replaceChildren(sensorPicture(i.role, i.active));
			if (i.active && row.active !== null && open && this.#beeps) this.#sounder.play(click, { sound: true, vibrate: true });
			row.active = i.active;
		}
		attr(row.row, "data-active", i.active ? "yes" : "no");
		attr(row.row, "data-chatter", i.chatter !== "");
		text(row.word, i.active ? active : rest);
		text(row.line, i.chatter !== "" ? sentence(i.chatter) : lineWords(i));
		attr(row.head, "aria-expanded", `${open}`);
		row.more.hidden = !open;
		if (!open) return;
		text(row.big, i.active ? active : rest);
		text(row.length, lastWords(i));
		text(row.count, timesWords(Math.ceil(i.edges / 2)));
		text(row.hint, [i.chatter && sentence(i.chatter), i.use && sentence(i.use), tries[i.role]].filter(Boolean).join(" "));
		row.finger.hidden = !simulated || !fingers[i.role];
		row.level.show(i);
		attr(row.more.querySelector("[role=switch]") ?? row.more, "aria-checked", `${this.#beeps}`);
	}

	/** @param {string} name */
	#toggle(name) {
		this.#open = this.#open === name ? "" : name;
		for (const [other, row] of this.#rows) {
			const open = other === this.#open;
			row.more.hidden = !open;
			attr(row.head, "aria-expanded", `${open}`);
		}
		this.refresh();
	}

	/** @param {string} input */
	#touch(input) {
		this.commands.send({ type: "touch", input }, this.slot);
	}

	#beep() {
		this.#beeps = !this.#beeps;
		if (this.#beeps) {
			this.#sounder.unlock();
			this.#sounder.play(click, { sound: true, vibrate: true });
		}
		this.refresh();
	}
}

/** @param {InputView} i */
function lineWords(i) {
	const last = i.breaks[0];
	if (!last) return i.edges === 0 ? "nothing seen yet" : "";
	return `last ${(words[i.role] ?? ["", "high"])[1].toLowerCase()} for ${lengthWords(last)}`;
}

/** @param {InputView} i */
const lastWords = (i) => (i.breaks[0] && !i.active ? `last ${lengthWords(i.breaks[0])}` : "");

/** @param {number} n */
const timesWords = (n) => (n === 0 ? "Nothing seen yet" : n === 1 ? "Once so far" : `${n} times so far`);

/** @param {Break} b */
function lengthWords({ length_ms, pieces }) {
	const length = length_ms > 0 ? `${ms(length_ms)} ms` : "a moment";
	return pieces > 1 ? `${length} in ${pieces} pieces` : length;
}
