// The pictures of shots, of practice or from the camera: the last one stands first in its card, and a tap shows those of
// the session.

import { markOf, pictureOf, seenWords } from "./camera.js";
import { attr, button, byId, el, text } from "./dom.js";
import { Drag, pastWords } from "./drag.js";
import { icon } from "./icons.js";
import { slot } from "./refusals.js";
import { chipWords } from "./shot.js";
import { isWithheld, reveal, shownWords } from "./withheld.js";
import { verdictButtons } from "./verdicts.js";

/** @import { ShotView } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

const askAgainMs = 3000;
const maxAsks = 5;

/** One picture in a place that never changes its size: a coarse one comes first, then the whole. */
class Frame {
	#address = "";
	#wanted = "";
	#free = true;
	/** It is the camera's, on record. */ #kept = false;

	constructor() {
		this.img = el("img", { alt: "", width: 480, height: 320, decoding: "async", draggable: "false" });
		this.says = el("span", { class: "frame-says" });
		this.img.addEventListener("load", () => this.#loaded());
		this.img.addEventListener("error", () => this.#failed());
	}

	/**
	 * Pictures are made while nothing is armed.
	 * @param {ShotView} shot
	 * @param {boolean} free
	 */
	show(shot, free) {
		attr(this.img, "alt", shot.framed ? seenWords(shot) || `The camera's frame of shot ${shot.number}` : isWithheld(shot) ? shownWords(shot) : shot.seen);
		const address = pictureOf(shot);
		if (address !== this.#address) {
			this.#address = address;
			this.#kept = shot.framed;
			this.#wanted = "";
			this.img.removeAttribute("src");
			attr(this.img, "data-state", "none");
		}
		if (free && !this.#free && this.img.dataset.state !== "whole") this.#wanted = ""; // what failed is asked for again
		this.#free = free;
		if (this.#wanted || !this.#address) return;
		text(this.says, waitWords(this.#kept, free));
		if (free) this.#want(this.#kept ? this.#address : `${this.#address}?preview`);
	}

	/** @param {string} address */
	#want(address) {
		this.#wanted = address;
		this.img.src = address;
	}

	#loaded() {
		const whole = this.#address;
		attr(this.img, "data-state", this.#wanted === whole ? "whole" : "preview");
		if (this.#wanted === whole) return;
		this.#prepare(whole, this.#address);
	}

	/**
	 * Has the whole picture made while the coarse one is looked at. A slow machine takes longer than one answer may.
	 * @param {string} whole
	 * @param {string} shot
	 */
	#prepare(whole, shot, tries = maxAsks) {
		const next = new Image();
		next.addEventListener("load", () => shot === this.#address && this.#want(whole));
		next.addEventListener("error", () => setTimeout(() => {
			if (shot === this.#address && this.#free && tries > 1) this.#prepare(whole, shot, tries - 1);
		}, askAgainMs));
		next.src = whole;
	}

	#failed() {
		if (!this.#wanted) return;
		this.img.removeAttribute("src");
		attr(this.img, "data-state", "none");
		text(this.says, this.#kept ? "The frame could not be loaded." : "No picture yet.");
		if (this.#kept) return;
		void this.#askAgain(this.#address);
	}

	/**
	 * A slow machine goes on making a picture when nobody waits any longer, and says so.
	 * @param {string} shot whose picture did not come
	 */
	async #askAgain(shot) {
		const address = `${shot}?preview`;
		const answer = await fetch(address).catch(() => null);
		if (shot !== this.#address || this.img.dataset.state !== "none") return;
		if (answer?.status === 200) this.#want(address);
		else if (answer?.status === 202) setTimeout(() => this.#free && this.#askAgain(shot), askAgainMs);
		else text(this.says, "No picture of this shot is kept.");
	}
}

/** Why there is no picture yet. @param {boolean} kept on record @param {boolean} free nothing is armed */
function waitWords(kept, free) {
	if (kept) return free ? "Loading the frame …" : "The frame is shown when nothing is armed.";
	return free ? "Making the picture …" : "The picture is made when nothing is armed.";
}

export class Frames {
	#frame = new Frame();
	/** @type {ShotView[]} */ #shots = [];
	#safe = true;
	#free = true;
	/** @type {ShotView | null} */ #shot = null;
	#session = 0;
	/** The one that is in sight in the strip. */ #at = 0;
	/** @type {ReturnType<typeof verdictButtons>} */ #verdicts;
	#newer = button({});
	#older = button({});

	/** @param {Commands} commands */
	constructor(commands) {
		this.commands = commands;
		this.node = byId("frame");
		this.dialog = /** @type {HTMLDialogElement} */ (byId("frames"));
		this.mark = el("span", { class: "frame-mark" });
		this.node.append(this.#frame.img, this.#frame.says, this.mark);
		this.enlarge = button({ "aria-pressed": "false", onclick: () => this.#enlarged(this.enlarge.getAttribute("aria-pressed") !== "true") }, "Enlarge");
		this.node.addEventListener("click", () => this.#safe && this.#open(this.#shot?.id ?? 0));
		this.slot = slot();
		this.#verdicts = verdictButtons((verdict) => {
			const shot = this.#inSight;
			if (shot) commands.send({ type: "verdict", shot: shot.id, verdict }, this.slot);
		});
		this.say = button({ class: "tell", onclick: () => this.#reveal() }, "Show what was measured");
		this.measure = button({ class: "measure", role: "switch", "aria-checked": "false", onclick: () => this.#measuring(this.measure.getAttribute("aria-checked") !== "true") }, "Measure: drag the picture to where the liquid should have been");
	}

	/**
	 * @param {ShotView[]} shots those of the session, newest first
	 * @param {ShotView | null} shot the one in the card
	 * @param {boolean} safe nothing is armed, so that the strip may cover the page
	 * @param {boolean} free pictures are made
	 * @param {boolean} able this phone holds the controls
	 * @param {number} session
	 */
	show(shots, shot, safe, free, able, session) {
		this.#session = session;
		this.#shots = shots.filter((s) => pictureOf(s) !== "");
		this.#shot = shot;
		this.#safe = safe;
		this.#free = free;
		for (const b of this.#verdicts.node.children) attr(b, "disabled", !able);
		attr(this.measure, "disabled", !able);
		if (!safe && this.dialog.open) this.dialog.close();
		if (this.dialog.open) this.#showInSight();
		const has = shot !== null && pictureOf(shot) !== "";
		this.node.hidden = !has;
		attr(byId("shot"), "data-framed", has);
		if (!shot || !has) return;
		const more = safe ? " Show those of the session" : "";
		attr(this.node, "aria-label", shot.framed ? `The camera's frame of shot ${shot.number}. ${seenWords(shot)}${more}` : `Picture of practice shot ${shot.number}. ${shownWords(shot)}${more}`);
		text(this.mark, markOf(shot));
		attr(this.node, "data-kept", shot.framed);
		attr(this.node, "aria-disabled", safe ? null : "true");
		this.#frame.show(shot, free);
	}

	/**
	 * Small pictures that lead to the strip.
	 * @param {ShotView[]} shots
	 * @param {() => void} leave
	 */
	thumbnails(shots, leave) {
		return shots.filter((s) => pictureOf(s) !== "").reverse().map((shot) => {
			const frame = new Frame();
			frame.show(shot, this.#free);
			const open = () => { leave(); this.#open(shot.id); };
			return button({ class: "frame", "aria-label": `No. ${shot.number}, ${chipWords(shot)}: ${shownWords(shot)}`, onclick: open }, frame.img, frame.says, el("span", { class: "frame-mark" }, `${shot.number}`));
		});
	}

	/** The shot whose picture is in sight. */
	get #inSight() {
		const id = this.#at;
		return this.#shots.find((s) => s.id === id) ?? null;
	}

	#showInSight() {
		const shot = this.#inSight;
		if (!shot) return;
		// What has the focus keeps it at an end, so that the keys go on.
		attr(this.#newer, "aria-disabled", this.#shots[0] === shot ? "true" : null);
		attr(this.#older, "aria-disabled", this.#shots.at(-1) === shot ? "true" : null);
		const words = byId("strip-words");
		text(words, `No. ${shot.number} · ${chipWords(shot)}. ${isWithheld(shot) ? "" : shownWords(shot)}`);
		this.say.hidden = !isWithheld(shot);
		this.#verdicts.show(shot.verdict, shot.aimed, `Verdict on shot ${shot.number}`, shot.problem !== "");
		text(byId("strip-measured"), shot.problem || (shot.past_mm === null || shot.past_sd_mm === null ? "" : `Measured: ${pastWords(shot.past_mm, shot.past_sd_mm)}.`));
		this.measure.style.visibility = shot.measurable && !shot.framed && shot.problem === "" ? "visible" : "hidden";
	}

	/** The words without a verdict. */
	#reveal() {
		const shot = this.#inSight;
		if (!shot) return;
		reveal(shot);
		this.#showInSight();
		byId("strip-words").focus();
	}

	/** While it is on a finger drags the picture, and does not flick through them. @param {boolean} on */
	#measuring(on) {
		attr(this.measure, "aria-checked", `${on}`);
		if (on) this.#enlarged(false);
		for (const f of this.dialog.querySelectorAll("figure > .frame")) {
			attr(f, "data-measuring", on);
			attr(f, "tabindex", on ? "0" : null);
		}
	}

	/** So large that only a part of it is seen, which a finger or the arrow keys move. @param {boolean} on */
	#enlarged(on) {
		attr(this.enlarge, "aria-pressed", `${on}`);
		if (on) this.#measuring(false);
		for (const f of this.dialog.querySelectorAll("figure > .frame")) {
			attr(f, "data-enlarged", on);
			attr(f, "tabindex", on ? "0" : null);
			if (on) f.scrollTo(f.scrollWidth / 4, f.scrollHeight / 4);
		}
		if (on) this.#sharpen();
	}

	async #sharpen() {
		const at = this.#at;
		const { sharpen } = await import("./lookback/larger.js");
		sharpen(this.dialog, at, this.#session, this.#inSight, () => this.#at === at);
	}

	/** All of the session's, to flick through as the evening went: each is made when it comes into sight. @param {number} id the first one */
	#open(id) {
		const strip = el("div", { class: "strip", tabindex: "0", role: "group", "aria-label": "Pictures of this session" });
		/** @type {Map<Element, ShotView>} */ const figures = new Map();
		/** @type {Map<Element, Frame>} */ const frames = new Map();
		const sight = new IntersectionObserver((seen) => {
			for (const one of seen) {
				const shot = figures.get(one.target);
				if (!shot || !one.isIntersecting) continue;
				frames.get(one.target)?.show(shot, this.#free);
				if (one.intersectionRatio > 0.6) {
					this.#at = shot.id;
					this.#showInSight();
					if (this.enlarge.ariaPressed === "true") this.#sharpen();
				}
			}
		}, { root: strip, threshold: [0.01, 0.61] });
		for (const shot of [...this.#shots].reverse()) {
			const frame = new Frame();
			const mark = el("span", { class: "frame-mark" }, markOf(shot));
			const dragged = el("span", { class: "dragged", role: "status" });
			const box = el("div", { class: "frame", role: "group", "aria-label": `Picture of shot ${shot.number}` }, frame.img, frame.says, dragged, mark);
			new Drag(box, frame.img, dragged, () => this.#shots.find((s) => s.id === shot.id) ?? shot, (past, sd) => {
				const [past_mm, past_sd_mm] = [past, sd].map((v) => Math.round(v * 10) / 10);
				this.commands.send({ type: "measure", shot: shot.id, past_mm, past_sd_mm }, this.slot);
			});
			const figure = el("figure", { "data-kept": shot.framed, "data-shot": shot.id }, box);
			figures.set(figure, shot);
			frames.set(figure, frame);
			strip.append(figure);
			sight.observe(figure);
		}
		const by = (/** @type {number} */ n) => strip.scrollBy({ left: n * strip.clientWidth });
		this.#older = button({ "aria-label": "Older picture", onclick: () => by(-1) }, icon("back"));
		this.#newer = button({ "aria-label": "Newer picture", onclick: () => by(1) }, icon("onward"));
		this.dialog.replaceChildren(strip, el("div", { class: "strip-said" }, el("p", { id: "strip-words", tabindex: "-1" }), this.say), el("p", { id: "strip-measured" }), this.#verdicts.node, this.measure, this.slot, el("div", { class: "strip-steps" },
			this.#older, this.enlarge, button({ onclick: () => this.dialog.close() }, "Close"), this.#newer));
		this.dialog.addEventListener("close", () => sight.disconnect(), { once: true });
		this.#measuring(false);
		this.#enlarged(false);
		this.dialog.showModal();
		const at = Math.max(this.#shots.findIndex((s) => s.id === id), 0); // the newest first
		this.#at = this.#shots[at]?.id ?? 0;
		strip.scrollLeft = (this.#shots.length - 1 - at) * strip.clientWidth;
		this.#showInSight();
	}
}
