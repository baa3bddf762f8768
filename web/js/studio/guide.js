// Light, focus and framing step by step, in the order in which they can be done in the room. Any step can be skipped,
// and opened again.

import { attr, button, el, text } from "../dom.js";
import { fixButton } from "../refusals.js";
import { fieldText, valueOf } from "../set.js";
import { showTick, tick } from "./evening.js";
import { fieldNamed } from "./fields.js";

/** @import { LightStep, Snapshot } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */
/** @import { Field } from "../fields.js" */

/** @type {Record<string, string>} */
const verdicts = { works: "✓ works", caution: "~ works, at a cost", change: "✕ to change", unknown: "? not known yet" };

/** How a field is written that nobody has looked at: 0 of a length. */
const notSeen = /^(unknown|none|0|0 \D+|)$/;

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
		for (const f of [...this.seen, ...this.others]) f.update(snap);
		const fixes = JSON.stringify(step.fixes);
		if (fixes !== this.#fixes) this.fixes.replaceChildren(...step.fixes.map(fixButton));
		this.#fixes = fixes;
		if (done && this.ticks.childElementCount === 0) this.ticks.append(tick(done, () => this.#ticked(), this.commands));
		if (done) showTick(this.ticks, done);
		this.#draw(snap.lighting?.drawings.find((d) => d.name === step.drawing)?.svg ?? "");
	}

	/** Whether it has one of these fields. @param {string[]} names */
	has(names) {
		return [...this.seen, ...this.others].some((f) => names.includes(f.name));
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
	/** @type {Field[]} */ fields = [];
	/** @type {Map<string, string>} by field, as it was shown last */ #values = new Map();
	/** @type {string[]} what was looked at, and is not known any more */ #taken = [];
	/** @type {string[]} by whose change */ #changed = [];

	/** @param {HTMLElement} place @param {Commands} commands */
	constructor(place, commands) {
		this.place = place;
		this.commands = commands;
		this.none = el("p", { class: "hint" });
		place.append(this.none);
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const steps = snap.lighting?.steps ?? [];
		text(this.none, steps.length > 0 ? "" : "This set cannot work yet, so its light is not judged.");
		if (this.#steps.length === 0 && steps.length > 0) this.#make(steps);
		for (const [i, view] of this.#steps.entries()) {
			view.node.hidden = steps.length === 0;
			if (steps[i]) view.show(steps[i], snap);
		}
		this.#showTaken(snap);
	}

	/** Say what the machine took back because something else was changed. @param {Snapshot} snap */
	#showTaken(snap) {
		const changed = this.fields.map((f) => f.name).filter((name) => {
			const before = this.#values.get(name);
			return before !== undefined && before !== valueOf(snap.set, name);
		});
		const seen = this.#steps.flatMap((s) => s.seen.map((f) => f.name));
		const unknown = (/** @type {string} */ name) => notSeen.test(valueOf(snap.set, name));
		const emptied = changed.filter((name) => seen.includes(name) && unknown(name));
		const by = changed.filter((name) => !emptied.includes(name));
		for (const f of this.fields) this.#values.set(f.name, valueOf(snap.set, f.name));
		this.#taken = this.#taken.filter(unknown);
		if (emptied.length > 0 && by.length > 0) {
			this.#taken = emptied;
			this.#changed = by;
		}
		const words = `After the change of ${this.#changed.map(fieldText).join(", ")} these readings no longer hold: `;
		for (const view of this.#steps) {
			const says = this.#taken.length > 0 && view.has([...this.#taken, ...this.#changed]);
			text(view.took, says ? `${words}${this.#taken.map(fieldText).join(", ")}. Look again.` : "");
		}
	}

	/** @param {LightStep[]} steps */
	#make(steps) {
		this.#steps = steps.map((s, i) => new StepView(s, i + 1, this.commands, () => this.#open(i + 1)));
		this.place.append(...this.#steps.map((s) => s.node));
		this.fields.push(...this.#steps.flatMap((s) => [...s.seen, ...s.others]));
	}

	/** @param {number} at */
	#open(at) {
		for (const [i, view] of this.#steps.entries()) view.node.open = i === at;
		const head = this.#steps[at]?.node.querySelector("summary");
		head?.scrollIntoView({ block: "start" });
		head?.focus({ preventScroll: true });
	}
}
