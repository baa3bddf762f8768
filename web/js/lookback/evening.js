// One session: what came of it, its set as it was, and all its shots.

import { attr, button, drawn, el, text } from "../dom.js";
import { factList, triesDrawing } from "../drawings/tries.js";
import { icon } from "../icons.js";
import { show, slot } from "../refusals.js";
import { fieldText, kindWords, valueText } from "../set.js";
import { inOrder, verdictSign, verdictWord } from "../verdicts.js";
import { SetReuse } from "./setreuse.js";
import "../studio/labels.js";
import { isLost, NoAnswer, Question } from "./ask.js";
import { CameraFrames } from "./camera.js";
import { FileNumbers } from "./files.js";
import { ShotList } from "./shotlist.js";
import { bestWords, triesTable } from "./tries.js";
import { dateText } from "../words.js";
import { flown } from "./words.js";

/** @import { Evening, KindTries, PastSession, Snapshot } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */

/** Verdicts come one after the other: what came of them all is summed up when there was none for so long. */
const sumMs = 1500;

/**
 * @typedef {object} EveningHost
 * @property {Commands} commands
 * @property {() => void} back
 * @property {(session: PastSession) => void} compare with another
 * @property {(session: PastSession) => void} renamed
 */

export class EveningView {
	#question = new Question();
	/** @type {Evening | null} */ #evening = null;
	/** @type {Snapshot | null} */ #snap = null;
	/** @type {ReturnType<typeof setTimeout> | undefined} */ #summing;
	#set = "";
	#said = "";
	#able = false;
	/** Why nothing can be changed, "" it can. */ #why = "";

	/** @param {number} id @param {EveningHost} host @param {number[]} [matches] numbers of shots that were looked for */
	constructor(id, host, matches = []) {
		this.id = id;
		this.host = host;
		this.title = el("h3", { tabindex: -1 }, "An evening");
		this.when = el("p", { class: "hint" });
		this.slot = slot();
		this.again = new SetReuse(host.commands, { session: id }, "Use this set again");
		this.compare = button({ onclick: () => this.#evening && host.compare(this.#evening.session) }, "Compare with another");
		this.rename = new Rename(id, host.commands, (name) => this.#renamed(name));
		this.files = new FileNumbers(host.commands);
		this.camera = new CameraFrames(id, host.commands, () => this.shots.seen());
		this.counts = el("ul", { class: "counts" });
		this.tries = el("div", { class: "tries-list" });
		this.set = el("div", {});
		this.shots = new ShotList(id, { commands: host.commands, remarked: () => this.#sumUpSoon(), frameOf: (shot) => this.camera.frameOf(shot), enlarge: (name) => this.camera.dialog.open(name) });
		this.newer = button({ class: "newer", hidden: true, onclick: () => this.#showNewer() });
		this.filters = [false, true].map((keepers) =>
			button({ "aria-pressed": `${!keepers}`, onclick: () => this.#filter(keepers) }, keepers ? "Keepers" : "All shots"),
		);
		const back = button({ class: "back", onclick: host.back }, icon("back"), "All evenings");
		const setFold = el("details", { class: "past-set" }, el("summary", {}, el("h4", {}, "The set as it was")), this.set);
		this.main = el("div", { hidden: true }, this.counts, this.tries);
		this.main.append(el("div", { class: "acts" }, this.again.node, this.compare, this.rename.node), setFold, this.camera.node);
		this.found = el("div", { class: "matches", hidden: matches.length === 0 }, el("p", {}, "Shots that were found:"));
		this.found.append(...matches.map((n) => button({ onclick: () => this.shots.goTo(n) }, `No. ${n}`)));
		const toShots = button({ class: "to-shots", onclick: () => head.scrollIntoView({ block: "start" }) }, "To the shots");
		const filters = el("div", { class: "filters", role: "group", "aria-label": "Which shots" }, ...this.filters);
		const head = el("div", { class: "list-head" }, el("h4", {}, "Shots"), filters);
		this.node = el("article", { class: "evening" }, el("div", { class: "ways" }, back, toShots), this.title, this.when, this.slot, this.main, head);
		this.node.append(this.files.node, this.found, this.newer, this.shots.status, this.shots.again, this.shots.node, this.camera.dialog.node);
	}

	/** Load both: the shots first, as they take no time. */
	async load() {
		const shots = this.shots.load();
		await Promise.all([shots, this.#sumUp()]);
	}

	async #sumUp() {
		clearTimeout(this.#summing);
		try {
			const evening = /** @type {Evening | null} */ (await this.#question.ask(`/record/sessions/${this.id}`));
			if (!evening) return;
			show(this.slot, null);
			this.#evening = evening;
			this.#draw(evening);
		} catch (error) {
			if (!(error instanceof NoAnswer)) throw error;
			if (!this.#evening || !isLost(error)) show(this.slot, error.refusal);
		}
	}

	#sumUpSoon() {
		clearTimeout(this.#summing);
		this.#summing = setTimeout(() => this.#sumUp(), sumMs);
	}

	/** What is known may be old: the connection was gone, or the place was left. */
	reload() {
		this.#sumUp();
		if (this.shots.top === 0) this.shots.load();
		else this.shots.refresh();
	}

	/** @param {Snapshot} snap @param {boolean} able whether something can be changed now @param {string} [why] it cannot */
	show(snap, able, why = "") {
		this.#snap = snap;
		this.enable(able, why);
		const set = JSON.stringify(snap.set);
		if (this.#set !== "" && set !== this.#set) this.again.stale();
		this.#set = set;
		this.camera.show(snap);
		const current = snap.session.id === this.id;
		this.files.node.hidden = !current;
		if (!current) return;
		this.files.show(snap);
		this.shots.update(snap.shots);
		const said = JSON.stringify(snap.shots.map((s) => [s.id, s.verdict, s.picture, s.star]));
		if (this.#said !== "" && said !== this.#said) this.#sumUpSoon();
		this.#said = said;
		const more = Math.max(0, (snap.shots[0]?.number ?? 0) - this.shots.top);
		this.newer.hidden = more === 0 || this.shots.top === 0;
		text(this.newer, more === 1 ? "Show the newer shot" : `Show ${more} newer shots`);
	}

	/** @param {boolean} able @param {string} [why] nothing can be changed now */
	enable(able, why = "") {
		this.#able = able;
		this.#why = why;
		this.again.enable(able);
		this.rename.enable(able);
		this.files.enable(able);
		this.camera.enable(able, why);
		this.shots.able = able;
	}

	#showNewer() {
		this.newer.hidden = true;
		this.load();
	}

	/** @param {boolean} keepers */
	#filter(keepers) {
		this.filters.forEach((b, i) => attr(b, "aria-pressed", `${keepers === (i === 1)}`));
		this.shots.filter(keepers);
	}

	/** @param {string} name */
	#renamed(name) {
		if (!this.#evening) return;
		const { session } = this.#evening;
		session.name = name;
		session.title = name || dateText(session.started);
		this.#draw(this.#evening);
		this.host.renamed(session);
	}

	/** @param {Evening} evening */
	#draw(evening) {
		const s = evening.session;
		this.main.hidden = false;
		text(this.title, s.title);
		// A session without a name has its date for a title.
		const facts = [s.name === "" ? "" : dateText(s.started), s.dated, flown(s), s.board === "simulated" ? "simulated rig" : s.board, s.damaged];
		text(this.when, facts.filter((f) => f !== "").join(" · "));
		this.rename.show(s.name);
		this.counts.replaceChildren(...countItems(evening));
		this.#drawTries(evening.kinds);
		this.#drawSet(evening);
		this.enable(this.#able, this.#why);
		if (this.#snap) this.show(this.#snap, this.#able, this.#why);
	}

	/** @param {KindTries[]} kinds */
	#drawTries(kinds) {
		const open = [...this.tries.querySelectorAll("details")].map((d) => d.open);
		this.tries.replaceChildren(
			...kinds.map((k, i) => {
				const fold = el("details", { open: open[i] }, el("summary", {}, "The same as a table"), triesTable(k));
				const drawing = k.tries.length > 0 ? [...triesDrawing(k.strip), factList(k.facts), fold] : [];
				const whose = kinds.length > 1 ? el("h4", {}, kindWords[k.kind] ?? k.kind) : null;
				return el("div", { class: "drawing" }, whose, el("p", { class: "best-line" }, bestWords(k)), ...drawing);
			}),
		);
	}

	/** @param {Evening} evening */
	#drawSet(evening) {
		if (evening.set_problem) return this.set.replaceChildren(el("p", { class: "problem" }, evening.set_problem));
		const elevation = drawn(evening.elevation);
		const values = evening.set.filter((v) => v.used && v.field !== "kind");
		const list = values.flatMap((v) => [el("dt", {}, fieldText(v.field)), el("dd", {}, valueText(v.field, v.text))]);
		this.set.replaceChildren();
		if (elevation) this.set.append(elevation);
		this.set.append(el("dl", { class: "values" }, ...list));
	}

	/** It is shown no more. */
	drop() {
		clearTimeout(this.#summing);
		this.#question.drop();
		this.camera.drop();
		this.shots.drop();
	}
}

/** How often each verdict was given. @param {Evening} evening */
function countItems(evening) {
	const { session, uncounted, keepers, summed } = evening;
	const shots = session.shots === 1 ? "One shot" : `${session.shots} shots`;
	const items = [el("li", {}, el("b", {}, shots))];
	for (const c of inOrder(session.verdicts)) {
		items.push(el("li", {}, icon(verdictSign(c.verdict)), `${c.shots} ${verdictWord(c.verdict).toLowerCase()}`));
	}
	if (keepers > 0) items.push(el("li", {}, icon("kept"), keepers === 1 ? "one keeper" : `${keepers} keepers`));
	if (uncounted > 0) items.push(el("li", {}, icon("warn"), `${uncounted} left out below: the machine failed or was late`));
	if (summed < session.shots) items.push(el("li", {}, `summed up below: the newest ${summed}`));
	return items;
}

/** Another name for a session. */
class Rename {
	/** @param {number} id @param {Commands} commands @param {(name: string) => void} renamed */
	constructor(id, commands, renamed) {
		this.slot = slot();
		this.input = el("input", { id: `rename-${id}`, type: "text", maxlength: 80, autocomplete: "off", enterkeyhint: "done" });
		this.save = el("button", { type: "submit" }, "Rename");
		this.form = el("form", { novalidate: true, onsubmit: (/** @type {Event} */ e) => {
			e.preventDefault();
			const name = this.input.value.trim();
			commands.send({ type: "rename", session: id, name }, this.slot, (refusal) => {
				if (refusal) return;
				this.node.open = false;
				renamed(name);
			});
		} }, el("label", { for: this.input.id }, "Name of this evening"), this.input, this.slot, this.save);
		this.node = el("details", { class: "rename" }, el("summary", {}, "Rename"), this.form);
	}

	/** @param {string} name */
	show(name) {
		if (document.activeElement !== this.input) this.input.value = name;
	}

	/** @param {boolean} able */
	enable(able) {
		attr(this.input, "disabled", !able);
		attr(this.save, "disabled", !able);
	}
}

