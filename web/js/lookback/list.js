// Evenings, newest first, and those that have some words.

import { attr, button, el, keyed, text } from "../dom.js";
import { refusalText } from "../refusals.js";
import { NoAnswer, Question, question } from "./ask.js";
import { scrollerOf } from "./shotlist.js";
import { dateText } from "../words.js";
import { judgedText, kindAndShots } from "./words.js";

/** @import { PastSession, PastSessions, Snapshot } from "../../protocol.d.ts" */

/** What is typed is looked for when the fingers have rested so long. */
const restMs = 250;
const partSize = 40;
const nearPx = 800;
/** Shots and verdicts come one after the other: they are counted again when there was none for so long. */
const rereadMs = 2000;

/** @typedef {{ open: (session: PastSession) => void }} Host */

export class EveningList {
	#question = new Question();
	/** @type {PastSession[]} */ #sessions = [];
	/** @type {ReturnType<typeof setTimeout> | undefined} */ #resting;
	#words = "";
	#next = 0;
	/** @type {IntersectionObserver | null} */ #end = null;
	#found = 0;
	#current = 0;
	#shown = "";
	/** @type {ReturnType<typeof setTimeout> | undefined} */ #stale;
	/** The one that another is chosen for. */
	#chosen = 0;

	/** @param {Host} host */
	constructor(host) {
		this.host = host;
		this.title = el("h3", { tabindex: -1, hidden: true }, "Compare two evenings");
		this.input = el("input", {
			id: "find",
			type: "search",
			maxlength: 100,
			autocomplete: "off",
			spellcheck: "false",
			enterkeyhint: "search",
			"aria-describedby": "find-hint",
			oninput: () => this.#typed(restMs),
			onchange: () => this.#typed(0),
		});
		const hint = "Name, note, date, drop, throw or sound, verdict, keeper, file number, frame";
		this.form = el("form", { role: "search", class: "find" }, el("label", { for: "find" }, "Find evenings"), this.input);
		this.form.append(el("p", { id: "find-hint", class: "hint" }, hint));
		this.form.addEventListener("submit", (e) => {
			e.preventDefault();
			this.#typed(0);
		});
		this.status = el("p", { role: "status", class: "found" });
		this.list = el("ul", { class: "evenings" });
		this.more = button({ class: "more", hidden: true, onclick: () => this.#more() }, "Show older evenings");
		this.choosing = el("p", { class: "choosing", hidden: true });
		this.node = el("div", {}, this.title, this.choosing, this.form, this.status, this.list, this.more);
	}

	/** Watch for the end of the list; the node is on the page now. */
	watch() {
		const scroller = scrollerOf(this.node);
		const root = scroller === document.scrollingElement ? null : scroller;
		this.#end = new IntersectionObserver(
			(entries) => {
				if (entries[entries.length - 1].isIntersecting) this.#more();
			},
			{ root, rootMargin: `${nearPx}px 0px` },
		);
	}

	/** Observe it anew: that the end is still near would not be reported. */
	#observeAgain() {
		this.#end?.unobserve(this.more);
		if (this.#next !== 0) this.#end?.observe(this.more);
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const verdicts = snap.shots.map((s) => s.verdict);
		const shown = `${snap.session.id} ${snap.session.name} ${snap.shot_count} ${verdicts}`;
		if (shown === this.#shown) return;
		const first = this.#shown === "";
		this.#shown = shown;
		this.#current = snap.session.id;
		this.#draw();
		clearTimeout(this.#stale);
		if (first) return;
		this.#stale = setTimeout(() => this.node.checkVisibility() && this.load(), rereadMs);
	}

	/** Another evening is chosen for one, null: none is. @param {{ id: number, title: string } | null} session */
	choose(session) {
		this.#chosen = session?.id ?? 0;
		this.choosing.hidden = session === null;
		this.title.hidden = session === null;
		text(this.choosing, session ? `Choose the evening to compare with “${session.title}”.` : "");
		this.#draw();
	}

	/** @param {number} pause ms */
	#typed(pause) {
		clearTimeout(this.#resting);
		const words = this.input.value.trim().split(/\s+/).join(" ");
		if (words === this.#words) return;
		this.#question.drop();
		this.#resting = setTimeout(() => {
			this.#words = words;
			this.load();
		}, pause);
	}

	/** @param {number} after @param {number} limit */
	#path(after, limit) {
		return question("/record/sessions", { words: this.#words, after, limit });
	}

	/** Read from the newest on, as many as are shown. */
	async load() {
		const limit = Math.min(100, Math.max(partSize, this.#words === "" ? this.#sessions.length : 0));
		await this.#ask(this.#path(0, limit), (got) => {
			const old = this.#sessions.slice(got.sessions.length);
			const whole = got.found === this.#found && old.length > 0 && old[0].id < (got.next || Infinity);
			this.#sessions = whole ? [...got.sessions, ...old] : got.sessions;
			if (!whole) this.#next = got.next;
			this.#found = got.found;
			text(this.status, `${this.#foundWords()} ${got.problem}`);
		});
	}

	async #more() {
		if (this.#next === 0 || this.#question.open) return;
		await this.#ask(this.#path(this.#next, partSize), (got) => {
			this.#sessions.push(...got.sessions);
			this.#next = got.next;
		});
	}

	/** @param {string} path @param {(got: PastSessions) => void} take */
	async #ask(path, take) {
		try {
			const got = /** @type {PastSessions | null} */ (await this.#question.ask(path));
			if (!got) return;
			take(got);
			this.#draw();
			this.#observeAgain();
		} catch (error) {
			if (!(error instanceof NoAnswer)) throw error;
			text(this.status, refusalText(error.refusal));
		}
	}

	#foundWords() {
		const n = this.#found;
		if (this.#words === "") return n === 0 ? "There is no evening yet." : n === 1 ? "One evening." : `${n} evenings.`;
		const words = `“${this.#words}”`;
		if (n === 0) return `No evening has ${words}. Try a part of a word, or a date like 2026-11-24 or 24 November.`;
		return n === 1 ? `One evening has ${words}.` : `${n} evenings have ${words}.`;
	}

	/** Another name of one that is shown. @param {PastSession} session */
	renamed(session) {
		this.#sessions = this.#sessions.map((s) => (s.id === session.id ? { ...s, name: session.name, title: session.title } : s));
		this.#draw();
	}

	/** The row of a session, if it is shown. @param {number} id @returns {HTMLElement | null} */
	rowOf(id) {
		return this.list.querySelector(`[data-key="${id}"] button`);
	}

	#draw() {
		this.more.hidden = this.#next === 0;
		keyed(
			this.list,
			this.#sessions,
			(s) => String(s.id),
			(s) => this.#row(s),
			(node, s) => this.#update(node, s),
		);
	}

	/** @param {PastSession} s */
	#row(s) {
		const parts = ["title", "when", "judged", "where"].map((name) => el("span", { class: `evening-${name}` }));
		const open = () => this.host.open(this.#sessions.find((one) => one.id === s.id) ?? s);
		return el("li", {}, button({ class: "evening-open", onclick: open }, ...parts));
	}

	/** @param {HTMLElement} node @param {PastSession} s */
	#update(node, s) {
		const made = JSON.stringify([s, this.#current === s.id, this.#chosen]);
		if (node.dataset.made === made) return;
		node.dataset.made = made;
		const open = /** @type {HTMLElement} */ (node.firstElementChild);
		const [title, when, judged, where] = open.children;
		text(title, s.id === this.#current ? `${s.title} (open now)` : s.title);
		const date = s.name === "" ? "" : `${dateText(s.started)} · `;
		text(when, `${date}${kindAndShots(s)}`);
		text(judged, [judgedText(s), s.damaged].filter((w) => w !== "").join(" · "));
		text(where, s.matches.length > 0 ? `Found: No. ${s.matches.join(", ")}` : "");
		attr(open, "disabled", this.#chosen === s.id);
	}
}
