// A set on record into the next shot: first what would change, then, if it is wanted, the change. It arms nothing.

import { attr, button, el, text } from "../dom.js";
import { sentence, show, slot } from "../refusals.js";
import { fieldText, valueText } from "../set.js";
import { voice } from "../voice.js";
import { NoAnswer, Question, question } from "./ask.js";

/** @import { SetAgain, SetChange } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */

export class SetReuse {
	#question = new Question();

	/**
	 * @param {Commands} commands
	 * @param {{ session: number } | { shot: number }} what whose set it is
	 * @param {string} label
	 */
	constructor(commands, what, label) {
		this.commands = commands;
		this.what = what;
		this.slot = slot();
		this.begin = button({ class: "again-begin", "aria-expanded": "false", onclick: () => this.#toggle() }, label);
		this.body = el("div", {});
		this.put = button({ class: "primary again-put", onclick: () => this.#put() }, "Use it for the next shot");
		this.leave = button({ class: "again-leave", onclick: () => this.close() }, "Leave it as it is");
		this.panel = el("div", { class: "again", hidden: true }, this.body, this.slot, this.put, this.leave);
		this.done = el("p", { class: "again-done", hidden: true });
		this.node = el("div", { class: "again-frame" }, this.begin, this.panel, this.done);
	}

	/** @param {boolean} able */
	enable(able) {
		attr(this.begin, "disabled", !able);
		attr(this.put, "disabled", !able);
		attr(this.leave, "disabled", null);
	}

	/** The next shot's set is another: what stands here is compared anew. */
	stale() {
		if (!this.panel.hidden && !this.put.hidden) this.#ask();
	}

	close() {
		this.#question.drop();
		this.panel.hidden = true;
		attr(this.begin, "aria-expanded", "false");
		this.begin.focus({ preventScroll: true });
	}

	#toggle() {
		if (!this.panel.hidden) return this.close();
		this.panel.hidden = false;
		this.done.hidden = true;
		attr(this.begin, "aria-expanded", "true");
		this.body.replaceChildren(el("p", {}, "Comparing it with the next shot …"));
		this.put.hidden = true;
		this.#ask().then(() => this.panel.scrollIntoView({ block: "nearest" }));
	}

	async #ask() {
		show(this.slot, null);
		try {
			const again = await this.#question.ask(question("/record/again", this.what));
			if (again) this.#show(/** @type {SetAgain} */ (again));
		} catch (error) {
			if (!(error instanceof NoAnswer)) throw error;
			this.body.replaceChildren();
			this.put.hidden = true;
			show(this.slot, error.refusal);
		}
	}

	/** @param {SetAgain} again */
	#show(again) {
		const kind = again.changes.find((c) => c.field === "kind")?.to ?? "";
		const [own, others] = split(again.changes, kind);
		const parts = [];
		if (again.changes.length === 0) parts.push(el("p", {}, "The next shot already has this set."));
		else parts.push(el("p", {}, "This would change for the next shot. It arms nothing."));
		if (own.length > 0) parts.push(changeList(own));
		if (others.length > 0) {
			const words = others.length === 1 ? "One value of another kind" : `${others.length} values of other kinds`;
			parts.push(el("details", {}, el("summary", {}, words), changeList(others)));
		}
		if (again.refused.length > 0) {
			parts.push(el("p", {}, "These cannot be taken over and stay as they are:"));
			parts.push(el("ul", {}, ...again.refused.map((r) => el("li", {}, `${fieldText(r.field)}: ${sentence(r.why)}`))));
		}
		if (again.missing.length > 0) {
			const names = again.missing.map(fieldText).join(", ");
			parts.push(el("p", {}, `Not on record, and left as they are: ${names}.`));
		}
		if (again.unknown.length > 0) parts.push(el("p", {}, `Not known here, and left out: ${again.unknown.join(", ")}.`));
		this.body.replaceChildren(...parts);
		this.put.hidden = again.changes.length === 0;
		text(this.leave, again.changes.length === 0 ? "Close" : "Leave it as it is");
		voice.say(again.changes.length === 0 ? "The next shot already has this set." : `${again.changes.length} values differ.`);
	}

	#put() {
		this.commands.send({ type: "again", ...this.what }, this.slot, (refusal) => {
			if (refusal) return;
			this.close();
			text(this.done, "It is set for the next shot. Nothing was armed.");
			this.done.hidden = false;
			voice.say("The set is ready for the next shot. Nothing was armed.");
		});
	}
}

/** Those that the set's own kind uses, and the others. @param {SetChange[]} changes @param {string} kind */
function split(changes, kind) {
	const groups = ["drop", "throw", "sound", "drops"].filter((k) => k !== kind);
	const of = (/** @type {SetChange} */ c) => groups.some((k) => c.field.startsWith(`${k}.`) || c.field === `trim.${k}`);
	if (kind === "") return [changes, []];
	return [changes.filter((c) => !of(c)), changes.filter(of)];
}

/** @param {SetChange[]} changes */
function changeList(changes) {
	const row = (/** @type {SetChange} */ c) => [
		el("dt", {}, fieldText(c.field)),
		el("dd", {}, el("span", {}, valueText(c.field, c.from)), el("span", { "aria-label": "becomes" }, " → "), el("b", {}, valueText(c.field, c.to))),
	];
	return el("dl", { class: "changes" }, ...changes.flatMap(row));
}
