// All shots of a session, newest first, in parts: each has its height from the start, is loaded when it comes near, and
// gives its rows up when it is far away. So nothing moves, and a session of ten thousand is as quick as one of ten.

import { attr, button, el, text } from "../dom.js";
import { refusalText } from "../refusals.js";
import { NoAnswer, Question, question } from "./ask.js";
import { ShotRow } from "./shotrow.js";

/** @import { CameraFrame, PastShots, ShotView } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */
/** @import { RowHost } from "./shotrow.js" */

/** As many rows are made at once without a hitch. */
const partSize = 50;
/** Rows that fly past are not loaded. */
const settleMs = 120;
/** How far beyond the screen a part is near. */
const nearPx = 900;

/**
 * @typedef {object} ListHost
 * @property {Commands} commands
 * @property {(shot: ShotView) => void} remarked something was said of a shot
 * @property {(shot: number) => CameraFrame | null} frameOf by the shot's ID
 * @property {(name: string) => void} enlarge a frame
 */

export class ShotList {
	/** @type {Part[]} */ #parts = [];
	/** @type {Map<Element, Part>} */ #byNode = new Map();
	/** @type {ShotRow | null} */ #open = null;
	#first = new Question();
	#able = false;
	/** @type {IntersectionObserver | null} */ #observer = null;
	/** The highest number that was there. */
	top = 0;
	keepers = false;

	/** @param {number} session @param {ListHost} host */
	constructor(session, host) {
		this.session = session;
		this.host = host;
		this.status = el("p", { role: "status", class: "hint" });
		this.again = button({ hidden: true, onclick: () => this.load() }, "Try again");
		this.node = el("div", { class: "past-shots" });
		this.node.addEventListener("keydown", (e) => this.#key(e));
		const list = this;
		/** @type {RowHost} */
		this.rows = {
			commands: host.commands,
			get able() {
				return list.able;
			},
			changed: (shot, change) => this.#changed(shot, change),
			toggle: (row) => this.#toggle(row),
			renumbered: () => this.refresh(),
			frameOf: host.frameOf,
			enlarge: host.enlarge,
		};
	}

	get able() {
		return this.#able;
	}

	/** @param {boolean} able */
	set able(able) {
		if (able === this.#able) return;
		this.#able = able;
		for (const part of this.#parts) part.enable(able);
	}

	/** The path of the shots below a number; 0 is below none. @param {number} before */
	path(before) {
		const what = { before, limit: partSize, keepers: this.keepers ? 1 : 0 };
		return question(`/record/sessions/${this.session}/shots`, what);
	}

	/** Load the newest, and lay out the parts of all the others. */
	async load() {
		this.again.hidden = true;
		try {
			const first = /** @type {PastShots | null} */ (await this.#first.ask(this.path(0)));
			if (first) this.#layOut(first);
		} catch (error) {
			if (!(error instanceof NoAnswer)) throw error;
			text(this.status, refusalText(error.refusal));
			this.again.hidden = false;
		}
	}

	/** Show only keepers, or all. @param {boolean} keepers */
	async filter(keepers) {
		this.keepers = keepers;
		await this.load();
	}

	/** @param {PastShots} first */
	#layOut(first) {
		this.drop();
		this.#observer = this.#observe();
		const numbers = [...first.shots.map((s) => s.number), ...first.lost];
		const top = Math.max(0, ...numbers);
		if (!this.keepers) this.top = top;
		text(this.status, top === 0 ? (this.keepers ? "No shot is kept yet: tap the star of one." : "There are no shots.") : "");
		if (this.keepers) this.#append(new Part(this, first.shots.map((s) => s.number)), first);
		else this.#layOutAll(top, first);
	}

	/** @param {number} top @param {PastShots} first */
	#layOutAll(top, first) {
		for (let from = top; from > 0; from -= partSize) {
			const count = Math.min(partSize, from);
			const part = new Part(this, Array.from({ length: count }, (_, i) => from - i));
			this.#add(part);
			if (from === top) part.fill(first);
		}
	}

	/** Keepers are as many as there are: each part tells where the next begins. @param {Part} part @param {PastShots} got */
	#append(part, got) {
		this.#add(part);
		part.fill(got);
		if (got.next === 0) return;
		this.#add(new Part(this, [], got.next));
	}

	/** What followed a part of keepers. @param {Part} part @param {PastShots} got */
	follow(part, got) {
		part.numbers = got.shots.map((s) => s.number);
		part.before = 0;
		part.fill(got);
		if (got.next !== 0) this.#add(new Part(this, [], got.next));
	}

	#observe() {
		const scroller = scrollerOf(this.node);
		const options = {
			root: scroller === document.scrollingElement ? null : scroller,
			rootMargin: `${nearPx}px 0px`,
		};
		return new IntersectionObserver((entries) => {
			for (const e of entries) this.#byNode.get(e.target)?.setNear(e.isIntersecting);
		}, options);
	}

	/** @param {Part} part */
	#add(part) {
		this.#parts.push(part);
		this.#byNode.set(part.node, part);
		this.node.append(part.node);
		this.#observer?.observe(part.node);
	}

	/** Nothing is shown, and nothing is asked any more. */
	drop() {
		this.#first.drop();
		this.#observer?.disconnect();
		for (const part of this.#parts) part.drop();
		this.#parts = [];
		this.#byNode.clear();
		this.#open = null;
		this.node.replaceChildren();
	}

	/** Read what is on the screen again; what is not is read when it comes near. */
	refresh() {
		for (const part of this.#parts) part.refresh();
	}

	/** More is known of the camera's frames: which shot has one, and what is on record of it. */
	seen() {
		this.#open?.seen();
		this.refresh();
	}

	/** News of shots that may be in the list. @param {ShotView[]} shots */
	update(shots) {
		for (const shot of shots) this.#part(shot.number)?.update(shot);
	}

	/** @param {number} number */
	#part(number) {
		return this.#parts.find((p) => p.numbers.length > 0 && number <= p.numbers[0] && number >= p.numbers[p.numbers.length - 1]);
	}

	/** Bring a shot to the middle of the screen and open it. @param {number} number */
	async goTo(number) {
		const part = this.#part(number);
		if (!part) return;
		part.node.scrollIntoView({ block: "start" });
		const row = await part.row(number);
		if (!row) return;
		row.node.scrollIntoView({ block: "center" });
		if (!row.opened) this.#toggle(row);
		row.open.focus({ preventScroll: true });
	}

	/** One row is open at a time, and what was pressed stays where it is. @param {ShotRow} row */
	#toggle(row) {
		const at = row.node.getBoundingClientRect().top;
		const open = !row.opened;
		if (this.#open && this.#open !== row) this.#open.set(false);
		row.set(open);
		this.#open = open ? row : null;
		const moved = row.node.getBoundingClientRect().top - at;
		if (moved !== 0) scrollerOf(this.node).scrollBy({ top: moved, behavior: "instant" });
	}

	/** @param {ShotView} shot @param {Partial<ShotView>} change */
	#changed(shot, change) {
		const now = { ...shot, ...change };
		this.#part(shot.number)?.update(now);
		this.host.remarked(now);
	}

	/** Up and down go from row to row. @param {KeyboardEvent} e */
	#key(e) {
		const way = e.key === "ArrowDown" ? 1 : e.key === "ArrowUp" ? -1 : 0;
		if (way === 0 || !(e.target instanceof HTMLButtonElement) || !e.target.closest(".row-head")) return;
		const all = [...this.node.querySelectorAll(e.target.matches(".star") ? ".star" : ".row-open")];
		const next = all[all.indexOf(e.target) + way];
		if (!(next instanceof HTMLElement)) return;
		e.preventDefault();
		next.focus();
	}
}

/** A stretch of shots. */
class Part {
	/** @type {Map<number, ShotView> | null} */ #shots = null;
	/** @type {Map<number, ShotRow>} */ #rows = new Map();
	/** @type {((row: ShotRow | null) => void)[]} */ #waiting = [];
	/** @type {ReturnType<typeof setTimeout> | undefined} */ #settling;
	#question = new Question();

	/** @param {ShotList} list @param {number[]} numbers from high to low @param {number} [before] where numbers are not known */
	constructor(list, numbers, before = 0) {
		this.list = list;
		this.numbers = numbers;
		this.before = before;
		this.node = el("ol", { class: "part" });
		this.#layOut();
	}

	#layOut() {
		const n = this.numbers;
		this.node.style.setProperty("--rows", String(Math.max(1, n.length)));
		attr(this.node, "aria-label", n.length > 0 ? `Shots ${n[0]} to ${n[n.length - 1]}` : "Further shots");
		if (this.#rows.size === 0) this.#sayEmpty(n.length > 0 ? `Shots ${n[0]} to ${n[n.length - 1]}: not loaded yet.` : "More keepers follow.");
	}

	/** @param {string} words @param {HTMLElement} [more] */
	#sayEmpty(words, more) {
		this.node.replaceChildren(el("li", { class: "part-empty" }, el("span", {}, words), more));
	}

	/** @param {boolean} near */
	setNear(near) {
		clearTimeout(this.#settling);
		if (near) this.#settling = setTimeout(() => this.#need(), this.#shots ? 0 : settleMs);
		else this.#giveUp();
	}

	/** Rows that nobody sees go, but not the one that is open or has the focus. */
	#giveUp() {
		if (this.#question.open && this.#waiting.length === 0) this.#question.drop();
		const kept = this.node.contains(document.activeElement) || [...this.#rows.values()].some((r) => r.opened);
		if (kept || this.#rows.size === 0) return;
		this.#rows.clear();
		this.#layOut();
	}

	async #need() {
		if (this.#shots) return this.#draw();
		if (this.#question.open) return;
		try {
			const before = this.before || this.numbers[0] + 1;
			const got = /** @type {PastShots | null} */ (await this.#question.ask(this.list.path(before)));
			if (!got) return;
			if (this.before) this.list.follow(this, got);
			else this.fill(got);
		} catch (error) {
			if (!(error instanceof NoAnswer)) throw error;
			this.#answer(null);
			const again = button({ onclick: () => this.#need() }, "Try again");
			if (this.#rows.size === 0) this.#sayEmpty(refusalText(error.refusal), again);
		}
	}

	/** @param {PastShots} got */
	fill(got) {
		this.#shots = new Map(got.shots.map((s) => [s.number, s]));
		this.#draw();
	}

	#draw() {
		if (!this.#shots) return;
		for (const number of this.numbers) {
			const shot = this.#shots.get(number);
			const row = this.#rows.get(number);
			if (shot && row) row.show(shot);
			else if (shot) this.#rows.set(number, new ShotRow(shot, this.list.rows));
		}
		const made = this.numbers.map((n) => this.#rows.get(n)?.node ?? lostRow(n));
		if (made.some((node, i) => this.node.children[i] !== node) || made.length !== this.node.children.length) {
			this.node.replaceChildren(...made);
		}
		this.#layOut();
		this.enable(this.list.able);
		this.#answer(this.#rows);
	}

	/** @param {Map<number, ShotRow> | null} rows */
	#answer(rows) {
		for (const waits of this.#waiting.splice(0)) waits(rows?.values().next().value ?? null);
	}

	/** The row of a shot, once it is loaded. @param {number} number */
	async row(number) {
		if (this.#rows.size === 0) {
			const loaded = new Promise((done) => this.#waiting.push(done));
			this.#need();
			await loaded;
		}
		return this.#rows.get(number) ?? null;
	}

	/** @param {ShotView} shot */
	update(shot) {
		if (!this.#shots?.has(shot.number)) return;
		this.#shots.set(shot.number, shot);
		this.#rows.get(shot.number)?.show(shot);
	}

	refresh() {
		if (this.before) return;
		if (this.#rows.size === 0) this.#shots = null;
		else this.#reload();
	}

	/** What is shown stays until the answer is there. */
	async #reload() {
		try {
			const got = /** @type {PastShots | null} */ (await this.#question.ask(this.list.path(this.numbers[0] + 1)));
			if (got) this.fill(got);
		} catch (error) {
			if (!(error instanceof NoAnswer)) throw error;
		}
	}

	/** @param {boolean} able */
	enable(able) {
		for (const row of this.#rows.values()) row.enable(able);
	}

	/** It is part of the list no more. */
	drop() {
		clearTimeout(this.#settling);
		this.#question.drop();
		this.#answer(null);
	}
}

/** @param {number} number */
const lostRow = (number) =>
	el("li", { class: "past-shot lost", "data-number": number }, el("b", {}, `No. ${number}`), el("span", {}, " cannot be read."));

/** What scrolls when a node does. @param {Element} node @returns {Element} */
export function scrollerOf(node) {
	for (let at = node.parentElement; at && at !== document.body; at = at.parentElement) {
		if (/auto|scroll/.test(getComputedStyle(at).overflowY)) return at;
	}
	return document.scrollingElement ?? document.documentElement;
}
