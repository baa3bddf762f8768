// Two evenings side by side: what came of them, what differs in their sets, and their tries on one scale.

import { button, el, text } from "../dom.js";
import { triesDrawing } from "../drawings/tries.js";
import { icon } from "../icons.js";
import { show, slot } from "../refusals.js";
import { fieldText, kindWords, valueText } from "../set.js";
import { verdicts, verdictWord } from "../verdicts.js";
import { NoAnswer, Question } from "./ask.js";
import { atWords } from "./tries.js";
import { dateText } from "../words.js";
import { flown } from "./words.js";

/** @import { Evening, KindTries, Verdict } from "../../protocol.d.ts" */

/** @typedef {{ back: () => void }} Host */

export class CompareView {
	#questions = [new Question(), new Question()];
	/** @type {Evening[]} */ #both = [];

	/** @param {number[]} ids @param {Host} host */
	constructor(ids, host) {
		this.ids = ids;
		this.title = el("h3", { tabindex: -1 }, "Two evenings");
		this.slot = slot();
		this.body = el("div", {});
		const back = button({ class: "back", onclick: host.back }, icon("back"), "Back");
		this.node = el("article", { class: "compare" }, back, this.title, this.slot, this.body);
	}

	async load() {
		try {
			// With the other one's tries in mind, so that both have the same axis.
			const asked = this.ids.map((id, i) => this.#questions[i].ask(`/record/sessions/${id}?with=${this.ids[1 - i]}`));
			const [a, b] = /** @type {(Evening | null)[]} */ (await Promise.all(asked));
			if (!a || !b) return;
			show(this.slot, null);
			this.#both = [a, b];
			this.#draw();
		} catch (error) {
			if (!(error instanceof NoAnswer)) throw error;
			show(this.slot, error.refusal);
		}
	}

	#draw() {
		const [a, b] = this.#both;
		if (!a || !b) return;
		text(this.title, `“${a.session.title}” and “${b.session.title}”`);
		const heads = ["", a.session.title, b.session.title];
		const came = [...facts(a, b), ...counts(a, b)];
		const differs = differences(a, b);
		this.body.replaceChildren(
			sideTable("Results", heads, came),
			differs.length > 0 ? sideTable("How the sets differ", heads, differs) : el("p", {}, "Their sets are the same."),
			...this.#drawings(a, b),
		);
	}

	/** @param {Evening} a @param {Evening} b */
	#drawings(a, b) {
		const kinds = a.kinds.filter((k) => k.tries.length > 0).map((k) => k.kind);
		return kinds.flatMap((kind) => {
			const both = [a, b].map((e) => e.kinds.find((k) => k.kind === kind && k.tries.length > 0));
			const [one, other] = both;
			if (!one || !other) return [];
			const drawing = (/** @type {Evening} */ e, /** @type {KindTries} */ k) =>
				el("div", { class: "drawing" }, el("h5", {}, e.session.title), ...triesDrawing(k.strip));
			return [el("h4", {}, `Tries: ${kindWords[kind] ?? kind}`), drawing(a, one), drawing(b, other)];
		});
	}

	/** It is shown no more. */
	drop() {
		for (const q of this.#questions) q.drop();
	}
}

/** @typedef {[string, string, string]} Row a name and what each evening has of it */

/** @param {string} caption @param {string[]} heads @param {Row[]} rows */
function sideTable(caption, heads, rows) {
	const head = heads.map((h, i) => (i === 0 ? el("td", {}) : el("th", { scope: "col" }, h)));
	const body = rows.map(([name, ...both]) =>
		el("tr", {}, el("th", { scope: "row" }, name), ...both.map((words) => el("td", {}, words || "–"))),
	);
	const parts = [el("caption", {}, caption), el("thead", {}, el("tr", {}, ...head)), el("tbody", {}, ...body)];
	return el("table", { class: "side-by-side" }, ...parts);
}

/** @param {Evening} a @param {Evening} b @returns {Row[]} */
function facts(a, b) {
	const best = (/** @type {Evening} */ e) => {
		const k = e.kinds[0];
		return k?.best ? `${k.axis} ${atWords(k, k.best.at_ms)}: ${k.best.good} of ${k.best.tries} good` : "";
	};
	return [
		["Date", dateText(a.session.started), dateText(b.session.started)],
		["What flew", flown(a.session), flown(b.session)],
		["Shots", String(a.session.shots), String(b.session.shots)],
		["Most often good", best(a), best(b)],
		["Keepers", String(a.keepers), String(b.keepers)],
	];
}

/** @param {Evening} a @param {Evening} b @returns {Row[]} */
function counts(a, b) {
	const of = (/** @type {Evening} */ e, /** @type {Verdict} */ v) =>
		e.session.verdicts.find((c) => c.verdict === v)?.shots ?? 0;
	/** @type {Verdict[]} */
	const all = [...verdicts.map((v) => v.verdict), ""];
	return all
		.filter((v) => of(a, v) + of(b, v) > 0)
		.map((v) => [verdictWord(v), String(of(a, v)), String(of(b, v))]);
}

/** Values of which at least one set makes use and that are not the same. @param {Evening} a @param {Evening} b @returns {Row[]} */
function differences(a, b) {
	/** @type {Row[]} */
	const rows = [];
	for (const v of a.set) {
		const w = b.set.find((other) => other.field === v.field);
		if (!w || (v.text === w.text && v.used === w.used) || !(v.used || w.used)) continue;
		const words = (/** @type {typeof v} */ one) => (one.used ? valueText(one.field, one.text) : "");
		rows.push([fieldText(v.field), words(v), words(w)]);
	}
	return rows;
}
