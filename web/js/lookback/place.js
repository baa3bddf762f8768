// The place where one looks back: the list of evenings, one of them, or two side by side. Each is a step of the
// browser's history, so that its back button leads to where one was.

import { el, text } from "../dom.js";
import { CompareView } from "./compare.js";
import { EveningView } from "./evening.js";
import { EveningList } from "./list.js";
import { scrollerOf } from "./shotlist.js";

/** @import { PastSession, Snapshot } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */

/**
 * @typedef {{ view: "list" } | { view: "evening", id: number, matches: number[] }
 *   | { view: "choose", id: number, title: string } | { view: "compare", ids: number[] }} Step
 */

export class Place {
	/** @type {Snapshot | null} */ #snap = null;
	#me = "";
	#online = false;
	/** @type {Step} */ #step = { view: "list" };
	/** Where each view was scrolled to when it was left. @type {Map<string, number>} */ #scrolled = new Map();
	/** @type {EveningView | null} */ #evening = null;
	/** @type {CompareView | null} */ #compare = null;

	/** @param {HTMLElement} node @param {Commands} commands */
	constructor(node, commands) {
		this.node = node;
		this.commands = commands;
		this.notice = el("p", { class: "place-notice", role: "status" });
		this.list = new EveningList({ open: (session) => this.#chosen(session) });
		this.views = el("div", { class: "views", tabindex: -1 });
		node.append(this.notice, this.views);
		this.views.append(this.list.node);
		this.list.watch();
		addEventListener("popstate", () => {
			const step = stepOf(history.state);
			if (step) this.#go(step, true); // a link within the page has none
		});
	}

	/** The place is shown: what it says may be old. */
	opened() {
		if (this.#step.view === "list") {
			const step = stepOf(history.state);
			this.list.load();
			if (step && step.view !== "list") this.#go(step, false);
		} else {
			this.#evening?.reload();
			this.#compare?.load();
		}
	}

	/** @param {Snapshot} snap @param {string} me */
	show(snap, me) {
		const back = !this.#online && this.#snap !== null;
		this.#snap = snap;
		this.#me = me;
		this.#online = true;
		this.#say();
		this.list.show(snap);
		this.#evening?.show(snap, this.#able, this.#why);
		if (!back) return;
		this.list.load();
		this.#evening?.reload();
		this.#compare?.load();
	}

	/** The connection dropped. */
	lost() {
		this.#online = false;
		this.#say();
		this.#evening?.enable(false, this.#why);
	}

	/** Whether something can be changed now. */
	get #able() {
		return this.#online && this.#me !== "" && this.#snap?.holder === this.#me;
	}

	/** Why nothing can be changed; "" it can. */
	get #why() {
		if (!this.#online) return "The machine does not answer. What is known is shown; nothing can be said of it until it is back.";
		return this.#able ? "" : "This phone does not hold the controls: it can look but change nothing.";
	}

	#say() {
		let words = "";
		if (!this.#online) words = ""; // the state says it
		else if (!this.#able && this.#step.view === "evening") {
			words = this.#why;
		} else if (this.#step.view === "list") words = this.#snap?.camera.problem ?? "";
		this.notice.hidden = words === "";
		text(this.notice, words);
	}

	/** An evening of the list was pressed. @param {PastSession} session */
	#chosen(session) {
		const { id, matches } = session;
		if (this.#step.view !== "choose") return this.#push({ view: "evening", id, matches });
		/** @type {Step} the way back leads to the evening, not to the choice */
		const step = { view: "compare", ids: [this.#step.id, id] };
		history.replaceState({ ...history.state, lookback: step }, "");
		this.#go(step, false);
	}

	/** @param {Step} step */
	#push(step) {
		this.#keepScroll();
		history.replaceState({ ...history.state, lookback: this.#step }, "");
		history.pushState({ ...history.state, lookback: step }, "");
		this.#go(step, false);
	}

	#keepScroll() {
		this.#scrolled.set(key(this.#step), scrollerOf(this.views).scrollTop);
	}

	/** Show a step. @param {Step} step @param {boolean} back to where it was scrolled */
	#go(step, back) {
		if (key(step) === key(this.#step)) return;
		if (back) this.#keepScroll();
		const from = this.#step;
		this.#step = step;
		this.list.choose(step.view === "choose" ? step : null);
		this.#drop(step);
		if (step.view === "evening" && !this.#evening) this.#openEvening(step.id, step.matches);
		if (step.view === "compare") this.#openCompare(step.ids);
		const shown = { list: this.list, choose: this.list, evening: this.#evening, compare: this.#compare }[step.view];
		for (const view of [this.list, this.#evening, this.#compare]) if (view) view.node.hidden = view !== shown;
		this.#say();
		if (shown === this.list) this.list.load(); // an evening may have been judged meanwhile
		const to = back ? (this.#scrolled.get(key(step)) ?? 0) : 0;
		scrollerOf(this.views).scrollTo({ top: to, behavior: "instant" });
		const pressed = back && from.view === "evening" ? this.list.rowOf(from.id) : null;
		const title = step.view === "list" ? this.views : shown?.title;
		(pressed ?? title)?.focus({ preventScroll: true });
	}

	/** What a step does not show and no way leads back to ends. @param {Step} step */
	#drop(step) {
		const keep = step.view === "evening" ? step.id : step.view === "choose" ? step.id : step.view === "compare" ? step.ids[0] : 0;
		if (this.#evening && this.#evening.id !== keep) {
			this.#evening.drop();
			this.#evening.node.remove();
			this.#evening = null;
		}
		if (step.view === "compare" || !this.#compare) return;
		this.#compare.drop();
		this.#compare.node.remove();
		this.#compare = null;
	}

	/** @param {number} id @param {number[]} matches */
	#openEvening(id, matches) {
		const host = {
			commands: this.commands,
			back: () => history.back(),
			compare: (/** @type {PastSession} */ s) => this.#push({ view: "choose", id: s.id, title: s.title }),
			renamed: (/** @type {PastSession} */ s) => this.list.renamed(s),
		};
		this.#evening = new EveningView(id, host, matches);
		this.views.append(this.#evening.node);
		if (this.#snap) this.#evening.show(this.#snap, this.#able, this.#why);
		this.#evening.load();
	}

	/** @param {number[]} ids */
	#openCompare(ids) {
		this.#compare = new CompareView(ids, { back: () => history.back() });
		this.views.append(this.#compare.node);
		this.#compare.load();
	}
}

/** A step is known by this. @param {Step} step */
function key(step) {
	if (step.view === "compare") return `compare ${step.ids.join(" ")}`;
	return step.view === "list" ? "list" : `${step.view} ${step.id}`;
}

/** What a step of the browser's history shows here, if anything. @param {unknown} state */
const stepOf = (state) => /** @type {{ lookback?: Step } | null} */ (state)?.lookback ?? null;
