// Light, focus and framing step by step, in the order in which one would do it in the room. Any step can be skipped, and
// opened again.

import { attr, button, el, text } from "../dom.js";
import { fixButton, leadButton } from "../refusals.js";
import { fieldText, valueOf } from "../set.js";
import { showTick, tick } from "./evening.js";
import { fieldNamed } from "./fields.js";

/** @import { Lighting, LightStep, Snapshot } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */
/** @import { Field } from "../fields.js" */

/** @type {Record<string, string>} */
const verdicts = { works: "✓ works", caution: "~ works, at a cost", change: "✕ to change", unknown: "? not known yet" };

/** How a field is written that nobody has looked at: 0 of a length. */
const notSeen = /^(unknown|none|0|0 \D+|)$/;

/** How the tick of a step is named among fields. @param {string} id */
const tickOf = (id) => `tick ${id}`;

/** Every field of a set, and its value. @param {object} set @param {string} [at] @returns {[string, string][]} */
const flat = (set, at = "") =>
	Object.entries(set).flatMap(([name, value]) =>
		value !== null && typeof value === "object" ? flat(value, `${at}${name}.`) : [[at + name, String(value)]],
	);

class StepView {
	/** @type {Snapshot | null} */ #snap = null;
	#drawn = "";
	#fixes = "";

	/** @param {LightStep} step @param {number} number @param {Commands} commands @param {() => void} next */
	constructor(step, number, commands, next) {
		this.id = step.id;
		this.commands = commands;
		this.seen = step.seen.map((name) => fieldNamed(name, commands));
		this.others = step.fields.map((name) => fieldNamed(name, commands));
		this.chip = el("span", { class: "step-verdict" });
		this.camera = el("div", { class: "step-camera" });
		this.do = el("p");
		this.expect = el("p", { class: "hint" });
		this.ticks = el("ul", { class: "care" });
		this.drawing = el("div", { class: "drawing" });
		this.says = el("p", { class: "step-says", role: "status" });
		this.took = el("p", { class: "step-took", role: "status" });
		this.next = el("p", { class: "step-next" });
		this.fixes = el("div");
		const others = el(
			"details",
			{ id: `step-${step.id}-fold` },
			el("summary", {}, el("h5", {}, "What it depends on")),
			el("div", { class: "fields" }, ...this.others.map((f) => f.node)),
		);
		this.node = el(
			"details",
			{ class: "step-of", id: `step-${step.id}`, "data-step": step.id },
			el("summary", {}, el("h4", {}, `${number}. ${step.title}`), this.chip),
			this.do,
			this.camera,
			this.expect,
			el("div", { class: "fields" }, ...this.seen.map((f) => f.node)),
			this.ticks,
			this.took,
			this.says,
			this.next,
			this.fixes,
			this.drawing,
			this.others.length > 0 ? others : null,
			step.id === "away" ? null : button({ class: "step-on", "data-free": true, onclick: next }, "Next step"),
		);
	}

	/** @param {LightStep} step @param {Snapshot} snap */
	show(step, snap) {
		this.#snap = snap;
		const done = snap.evening.find((e) => e.id === this.id);
		const left = done && !done.ticked && step.verdict === "works";
		attr(this.node, "data-verdict", left ? "unknown" : step.verdict);
		text(this.chip, left ? "? not ticked yet" : verdicts[step.verdict] ?? step.verdict);
		text(this.do, step.do);
		text(this.expect, step.expect === "" ? "" : `Expect: ${step.expect}`);
		text(this.says, step.says);
		text(this.next, step.next === "" ? "" : `Next: ${step.next}`);
		this.#showCamera(snap);
		for (const f of [...this.seen, ...this.others]) f.update(snap);
		const fixes = JSON.stringify(step.fixes);
		if (fixes !== this.#fixes) this.fixes.replaceChildren(...step.fixes.map(fixButton));
		this.#fixes = fixes;
		if (done && this.ticks.childElementCount === 0) this.ticks.append(tick(done, () => this.#ticked(), this.commands));
		if (done) showTick(this.ticks, done);
		this.#draw(snap.lighting?.drawings.find((d) => d.name === step.drawing)?.svg ?? "");
	}

	/** The camera as it is set, which leads to where that is changed. @param {Snapshot} snap */
	#showCamera(snap) {
		const fields = snap.lighting?.camera ?? [];
		const words = `Camera: ${fields.map((name) => valueOf(snap.set, name)).join(", ")}`;
		if (this.id === "away" || this.camera.textContent === words) return;
		this.camera.replaceChildren(leadButton(fields[0], words));
	}

	/** Whether it has one of these fields, or this tick. @param {string[]} names */
	has(names) {
		return [...this.seen, ...this.others].some((f) => names.includes(f.name)) || names.includes(tickOf(this.id));
	}

	#ticked() {
		return this.#snap?.evening.find((e) => e.id === this.id)?.ticked ?? false;
	}

	/** The machine's own drawing: it is parsed as an image would be, and nothing in it runs. @param {string} svg */
	#draw(svg) {
		if (svg === this.#drawn) return;
		this.#drawn = svg;
		this.drawing.replaceChildren();
		if (svg === "") return; // the parser's complaint about nothing would have a style
		const made = new DOMParser().parseFromString(svg, "image/svg+xml").documentElement;
		if (made.localName === "svg") this.drawing.append(document.importNode(made, true));
	}
}

export class Guide {
	/** @type {StepView[]} */ #steps = [];
	/** @type {Field[]} of the camera, for all steps */ #camera = [];
	/** @type {Map<string, string>} fields and ticks, as they were shown last */ #values = new Map();
	/** @type {string[]} what was looked at or ticked, and does not hold any more */ #taken = [];
	/** @type {string[]} by whose change */ #changed = [];

	/** @param {HTMLElement} place @param {Commands} commands @param {(fields: Field[]) => void} add as of Studio */
	constructor(place, commands, add) {
		this.place = place;
		this.commands = commands;
		this.add = add;
		this.none = el("p", { class: "hint" });
		this.took = el("p", { class: "step-took", role: "status" });
		this.cameraFields = el("div", { class: "fields" });
		const head = el("h4", {}, "The camera, for all steps");
		this.camera = el("div", { class: "camera-of", hidden: true }, head, this.cameraFields, this.took);
		place.append(this.none, this.camera);
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const steps = snap.lighting?.steps ?? [];
		text(this.none, steps.length > 0 ? "" : "This set cannot work yet, so its light is not judged.");
		if (this.#steps.length === 0 && snap.lighting && steps.length > 0) this.#make(snap.lighting);
		this.camera.hidden = steps.length === 0;
		for (const f of this.#camera) f.update(snap);
		for (const [i, view] of this.#steps.entries()) {
			view.node.hidden = steps.length === 0;
			if (steps[i]) view.show(steps[i], snap);
		}
		this.#showTaken(snap);
	}

	/** Say what the machine took back because something else was changed. @param {Snapshot} snap */
	#showTaken(snap) {
		const ticks = snap.evening.filter((e) => this.#steps.some((s) => s.id === e.id));
		const now = new Map(flat(snap.set));
		for (const e of ticks) now.set(tickOf(e.id), e.ticked ? "ticked" : "");
		const changed = [...now.keys()].filter((name) => this.#values.has(name) && this.#values.get(name) !== now.get(name));
		this.#values = now;
		const looked = [...this.#steps.flatMap((s) => s.seen.map((f) => f.name)), ...ticks.map((e) => tickOf(e.id))];
		const gone = (/** @type {string} */ name) => notSeen.test(now.get(name) ?? "");
		const emptied = changed.filter((name) => looked.includes(name) && gone(name));
		const by = changed.includes("kind") ? ["kind"] : changed.filter((name) => !emptied.includes(name));
		this.#taken = this.#taken.filter(gone);
		if (emptied.length > 0 && by.length > 0) {
			const all = by.join() === this.#changed.join() ? [...this.#taken, ...emptied] : emptied;
			this.#taken = looked.filter((name) => all.includes(name));
			this.#changed = by;
		}
		const cause = this.#changed.length > 3 ? "several fields" : this.#changed.map(fieldText).join(", ");
		const lost = this.#taken.map((name) => (name.startsWith("tick ") ? this.#tickText(name) : fieldText(name)));
		const words = `After changing ${cause}, these no longer hold: ${lost.join(", ")}. Check them again.`;
		const names = this.#taken.length > 0 ? [...this.#taken, ...this.#changed] : [];
		for (const view of this.#steps) text(view.took, view.has(names) ? words : "");
		text(this.took, this.#camera.some((f) => names.includes(f.name)) ? words : "");
	}

	/** @param {string} name of a tick */
	#tickText(name) {
		return `the tick of step ${this.#steps.findIndex((s) => tickOf(s.id) === name) + 1}`;
	}

	/** @param {Lighting} lighting */
	#make(lighting) {
		this.#camera = lighting.camera.map((name) => fieldNamed(name, this.commands));
		this.cameraFields.append(...this.#camera.map((f) => f.node));
		this.#steps = lighting.steps.map((s, i) => new StepView(s, i + 1, this.commands, () => this.#open(i + 1)));
		this.place.append(...this.#steps.map((s) => s.node));
		this.add([...this.#camera, ...this.#steps.flatMap((s) => [...s.seen, ...s.others])]);
	}

	/** @param {number} at */
	#open(at) {
		for (const [i, view] of this.#steps.entries()) view.node.open = i === at;
		const head = this.#steps[at]?.node.querySelector("summary");
		head?.scrollIntoView({ block: "start" });
		head?.focus({ preventScroll: true });
	}
}
