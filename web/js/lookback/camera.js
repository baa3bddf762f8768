// The camera's frames of an evening: files from this phone to the machine, which frame is which shot, and what they say.

import { attr, button, el, keyed, text } from "../dom.js";
import { icon } from "../icons.js";
import { leadButton, sentence, show, slot } from "../refusals.js";
import { voice } from "../voice.js";
import { isLost, NoAnswer, Question } from "./ask.js";
import { FrameDialog, isUnmatched, sureNode, sureWords } from "./framedialog.js";
import { pictureOf } from "./larger.js";
import { Pending } from "./pending.js";
import { Problems } from "./problems.js";
import { roomWords, widthAssumed } from "./reference.js";
import { Sending } from "./sending.js";

/** @import { CameraClash, CameraFrame, CameraView, Snapshot } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */

const kinds = "image/jpeg,image/heic,image/heif,.jpg,.jpeg,.jpe,.heic,.heif,.hif,.dng,.nef,.arw,.cr2,.pef";
/** What the machine is doing is asked for so often, while it does something for an evening that is over. */
const askMs = 2000;

export class CameraFrames {
	#question = new Question();
	/** @type {CameraView | null} */ #view = null;
	#version = 0;
	/** What of the view is shown with the shots. */ #known = "";
	#able = false;
	#why = "";
	/** The session is the one at Shoot. */ #current = false;
	/** @type {ReturnType<typeof setTimeout> | undefined} */ #asking;

	/** @param {number} session @param {Commands} commands @param {() => void} seen more is known of the frames */
	constructor(session, commands, seen) {
		this.session = session;
		this.commands = commands;
		this.seen = seen;
		this.problem = "";
		this.slot = slot();
		this.sending = new Sending(session, () => this.#progress());
		this.input = el("input", { type: "file", multiple: true, accept: kinds, hidden: true, onchange: () => this.#chosen() });
		this.choose = button({ class: "camera-choose", onclick: () => this.input.click() }, "Choose files on this phone");
		this.stop = button({ class: "camera-stop", onclick: () => this.sending.stop() }, "Stop sending");
		this.bar = el("progress", { max: 1, value: 0, "aria-label": "Sent to the machine" });
		this.progress = el("p", { class: "camera-progress" });
		this.problems = new Problems(session);
		this.kept = el("p", { class: "hint" });
		this.counts = el("p", { class: "camera-counts", role: "status" });
		this.changed = el("p", {});
		this.undo = button({ "data-sends": true, onclick: () => this.pending.send({ type: "unmatch", session }, this.slot) }, "Take it back");
		this.change = el("div", { class: "camera-changed", hidden: true }, this.changed, this.undo);
		this.clashes = el("div", { role: "group", "aria-label": "Pairs that contradict each other" });
		this.list = el("ul", { class: "camera-list" });
		const pending = new Pending(session, commands, (taken) => this.#said(taken));
		this.pending = pending;
		this.dialog = new FrameDialog(pending, () => this.#view);
		this.measuring = new Measuring(pending);
		this.roomWords = el("p", {});
		this.lead = leadButton("room.by", "To the room's light, in Set up");
		this.room = el("div", { class: "camera-room", hidden: true }, el("h5", {}, "The room, from the black frame"), this.roomWords, this.lead);
		this.count = el("span", { class: "hint" });
		const send = el("div", { class: "camera-send" }, this.choose, this.stop, this.bar, this.progress);
		this.node = el("details", { class: "camera", ontoggle: () => this.#opened() },
			el("summary", {}, el("h4", {}, "The camera's frames"), this.count),
			this.input, send, this.problems.node, this.counts, this.change, this.clashes, this.slot, this.measuring.node, this.room, this.list, this.kept);
		this.#progress();
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const armed = !["safe", "fault"].includes(snap.state);
		this.sending.hold(armed);
		if (armed) this.dialog.node.close(); // Disarm is in sight
		this.node.hidden = snap.camera.version === 0;
		this.#current = snap.session.id === this.session;
		this.problem = snap.camera.problem;
		this.#showProblems();
		if (snap.camera.version === this.#version) return;
		this.#version = snap.camera.version;
		this.load();
	}

	/** The connection dropped, or this phone may change nothing. @param {boolean} able @param {string} why not */
	enable(able, why) {
		const back = able && !this.#able && this.#view !== null;
		this.#able = able;
		this.#why = why;
		this.dialog.enable(able, why);
		this.measuring.enable(able);
		for (const b of [this.undo, ...this.clashes.querySelectorAll("button")]) attr(b, "disabled", !able);
		if (back) this.load();
	}

	/** The frame of a shot, null if none is known. @param {number} shot its ID @returns {CameraFrame | null} */
	frameOf(shot) {
		return this.#view?.frames.find((f) => f.shot_id === shot && f.sure !== "open") ?? null;
	}

	/** @param {boolean} taken the machine has something new to show */
	#said(taken) {
		if (taken) voice.say("Accepted.");
		if (this.#view) this.#showChange(this.#view);
		if (this.#view) this.measuring.show(this.#view);
		if (this.#view) this.#showRoom(this.#view);
		this.dialog.update();
		if (taken) this.load();
	}

	#opened() {
		if (this.node.open) this.load();
	}

	async load() {
		clearTimeout(this.#asking);
		if (this.node.hidden) return;
		try {
			const view = /** @type {CameraView | null} */ (await this.#question.ask(`/camera/${this.session}`));
			if (!view) return;
			show(this.slot, null);
			this.#view = view;
			this.pending.seen(view);
			this.#draw(view);
			if (view.busy !== "") this.#asking = setTimeout(() => this.load(), askMs);
		} catch (error) {
			if (!(error instanceof NoAnswer)) throw error;
			if (!this.#view || !isLost(error)) show(this.slot, error.refusal);
		}
	}

	#chosen() {
		this.sending.add(this.input.files ?? []);
		this.input.value = ""; // the same files may be chosen again
	}

	#progress() {
		const s = this.sending;
		attr(this.stop, "disabled", !s.running);
		this.bar.value = s.bytes > 0 ? s.sent / s.bytes : 0;
		text(this.progress, sendingWords(s));
		this.#showProblems();
		if (this.#view) this.#showCounts(this.#view);
		if (!s.running && s.files > 0 && s.done === s.files) voice.say(sendingWords(s));
	}

	#showProblems() {
		this.problems.show([...(this.problem === "" ? [] : [this.problem]), ...this.sending.problems], this.#view);
	}

	/** @param {CameraView} view */
	#draw(view) {
		const framed = view.certain + view.likely;
		text(this.count, view.frames.length === 0 ? "" : `${framed} of ${framed + view.open} shots`);
		text(this.kept, view.kept);
		this.#showCounts(view);
		this.#showProblems();
		this.#showChange(view);
		keyed(this.clashes, view.clashes, (c) => JSON.stringify(c), (c) => this.#clash(c));
		keyed(this.list, view.frames, (f) => f.name, () => this.#row(), (row, f) => this.#showRow(row, f, view));
		this.measuring.show(view);
		this.#showRoom(view);
		this.dialog.update();
		this.enable(this.#able, this.#why);
		const known = JSON.stringify([view.frames.map((f) => [f.name, f.shot_id, f.sure]), view.on_record]);
		if (known !== this.#known) this.seen();
		this.#known = known;
	}

	/** How dark the room is, by the black frame. @param {CameraView} view */
	#showRoom(view) {
		const waits = this.pending.words("black");
		this.room.hidden = view.black === "" && waits === "";
		text(this.roomWords, sentence(waits) || (view.room ? `${view.black}. ${roomWords(view)}` : `Nothing is known from ${view.black} yet.`));
		this.lead.hidden = !this.#current;
	}

	/** What was said last of which shot a frame is, or what it changed. @param {CameraView} view */
	#showChange(view) {
		const pair = this.pending.pair;
		this.change.hidden = !pair && view.changed === null;
		text(this.changed, pair ? sentence([pair.name, pair.words].filter(Boolean).join(": ")) : view.changed?.words ?? "");
		this.undo.style.visibility = pair || view.changed?.back ? "hidden" : "visible";
	}

	/** @param {CameraView} view */
	#showCounts(view) {
		const busy = view.busy && `${view.busy[0].toUpperCase()}${view.busy.slice(1)} …`;
		text(this.counts, [countWords(view, this.sending.running), busy].filter(Boolean).join(" "));
	}

	/** Two things that cannot both be, with a way to take back either. @param {CameraClash} c */
	#clash(c) {
		const back = c.frames.map((name, i) =>
			button({ "data-sends": true, onclick: () => this.pending.send({ type: "match", session: this.session, number: 0, name }, this.slot) }, `Take back: ${name} is shot ${c.shots[i]}`),
		);
		return el("div", { class: "camera-changed" }, el("p", {}, icon("warn"), c.words), ...back);
	}

	#row() {
		const open = button({ class: "camera-frame", onclick: () => this.dialog.open(row.dataset.key ?? "") });
		const row = el("li", {}, open);
		return row;
	}

	/** @param {HTMLElement} row @param {CameraFrame} f @param {CameraView} view */
	#showRow(row, f, view) {
		const made = JSON.stringify([f, sureWords(f, view), f.pictured || view.busy === ""]);
		if (row.dataset.made === made) return;
		row.dataset.made = made;
		const [open] = row.children;
		open.replaceChildren(
			f.pictured ? this.#picture(row, f) : el("span", { class: "camera-none" }, view.busy === "" ? "no preview" : "no preview yet"),
			el("span", { class: "camera-name" }, f.name),
			sureNode(f, view),
		);
	}

	/** One that does not come says so, and is asked for again when more is known. @param {HTMLElement} row @param {CameraFrame} f */
	#picture(row, f) {
		const failed = () => {
			img.replaceWith(el("span", { class: "camera-none" }, "The picture could not be loaded."));
			row.dataset.made = "";
		};
		const img = el("img", { src: pictureOf(this.session, f), alt: "", loading: "lazy", decoding: "async", onerror: failed });
		return img;
	}

	/** It is shown no more; what is being sent goes on. */
	drop() {
		clearTimeout(this.#asking);
		this.#question.drop();
		this.sending.stop();
	}
}

const megabytes = (/** @type {number} */ bytes) => (bytes / 1e6).toFixed(bytes < 1e7 ? 1 : 0);

/** @param {Sending} s */
function sendingWords(s) {
	if (s.files === 0) return "Nothing is being sent.";
	const known = s.known === 0 ? "" : s.known === 1 ? ", one was there already" : `, ${s.known} were there already`;
	const replaced = s.replaced === 0 ? "" : s.replaced === 1 ? ", one replaced a damaged copy" : `, ${s.replaced} replaced damaged copies`;
	const gone = s.gone.length === 0 ? "" : s.gone.length === 1 ? ", one was deleted on the machine to make room: choose only that one to send it again" : `, ${s.gone.length} were deleted on the machine to make room: choose only those to send them again`;
	const failed = s.problems.length === 0 ? "" : `, ${s.problems.length} with a problem`;
	if (!s.running && s.done < s.files) return `Stopped: ${s.done} of ${s.files} files are there. Choose the others again.`;
	if (!s.running) return `${s.files - s.problems.length - s.gone.length} of ${s.files} files are there${known}${replaced}${failed}${gone}.`;
	const done = `${s.done} of ${s.files} files, ${megabytes(s.sent)} of ${megabytes(s.bytes)} MB${known}`;
	return s.waits === "" ? `${done}.` : `${done}. ${s.waits}`;
}

/** @param {CameraView} view @param {boolean} sending files are on their way */
function countWords(view, sending) {
	if (view.frames.length === 0 && sending) return "The first frames are on their way; they are matched when they are there.";
	if (view.frames.length === 0 && view.busy !== "") return "";
	if (view.frames.length === 0) return "No frames yet: choose the camera's files; their times tell which shot each is.";
	const shots = view.certain + view.likely + view.open;
	if (shots === 0) return "There are no shots yet to match frames to.";
	const unseen = view.busy === "" ? view.frames.filter((f) => f.sure !== "open" && !f.pictured).length : 0;
	const counts = `${shots} ${shots === 1 ? "shot" : "shots"}: ${view.certain} certain, ${view.likely} likely, ${view.open} unmatched.${
		unseen ? ` ${unseen} of these frames cannot be seen.` : ""}`;
	const settles = view.open > 0 && view.frames.some((f) => isUnmatched(f, view));
	return settles ? `${counts} Open a frame and say which shot it is: one pair often settles the others.` : counts;
}

/** What frames are measured against, and what they say of the delay. */
class Measuring {
	/** @type {CameraView | null} */ #view = null;

	/** @param {Pending} pending */
	constructor(pending) {
		const session = pending.session;
		this.pending = pending;
		this.slot = slot();
		this.words = el("p", {});
		this.width = el("input", { id: `camera-width-${session}`, type: "text", autocomplete: "off", enterkeyhint: "done", "data-sends": true, onchange: () => this.#width() });
		this.right = button({ role: "switch", "data-sends": true, onclick: () => this.#side() }, "The throw comes from the right");
		this.accept = button({ class: "primary", "data-sends": true, onclick: () => this.#record("accept") });
		this.withdraw = button({ class: "withdraw", "data-sends": true, onclick: () => this.#record("unaccept") });
		const label = el("label", { for: this.width.id }, "Width of the scene in the frame");
		this.node = el("div", { class: "camera-measure" }, el("h5", {}, "The delay, from the frames"), this.words,
			el("div", { class: "past-field" }, label, this.width), this.right, this.accept, this.withdraw, this.slot);
	}

	/** @param {CameraView} view */
	show(view) {
		this.#view = view;
		this.node.hidden = view.frames.length === 0 || !view.moves;
		const changing = this.pending.words("reference", "ruler", "spot");
		this.words.style.minHeight = changing && `${this.words.offsetHeight}px`; // nothing below it moves
		text(this.words, changing ? `${sentence(changing)} The frames are compared after that.` : measuringWords(view));
		const said = this.pending.reference(view);
		if (document.activeElement !== this.width) this.width.value = this.pending.of("ruler") ? "" : said.value || view.width;
		attr(this.right, "aria-checked", `${said.from_right}`);
		const n = view.lesson?.waiting ?? 0;
		text(this.accept, this.#acceptWords(n));
		attr(this.accept, "aria-disabled", this.#waits ? "true" : null);
		this.accept.style.visibility = n > 0 ? "visible" : "hidden";
		const on = view.on_record;
		const back = on === 1 ? "Take back the one on record" : `Take back the ${on} on record`;
		text(this.withdraw, this.pending.of("unaccept") ? "Taking it back …" : back);
		this.withdraw.style.visibility = on > 0 ? "visible" : "hidden";
	}

	/** What was measured is of what the frames are measured against no more, or is being recorded. */
	get #waits() {
		return this.#view?.busy !== "" || this.pending.words("reference", "ruler", "spot", "accept", "unaccept") !== "";
	}

	/** @param {number} n measurements that wait */
	#acceptWords(n) {
		if (this.pending.of("accept")) return n === 1 ? "Recording 1 measurement …" : `Recording ${n} measurements …`;
		if (this.#waits) return "Record: when all is measured";
		return n === 1 ? "Record 1 measurement" : `Record ${n} measurements`;
	}

	/** @param {"accept" | "unaccept"} type */
	#record(type) {
		if (this.pending.of(type) || (type === "accept" && this.#waits)) return;
		this.pending.send({ type, session: this.pending.session }, this.slot);
	}

	#width() {
		const view = this.#view;
		if (!view) return;
		const typed = this.width.value.trim();
		// The width that the ruler gives is not typed.
		const value = typed === view.field_seen || (view.ruler && typed === view.width) ? "" : typed;
		this.pending.send({ ...this.pending.reference(view), value }, this.slot);
	}

	#side() {
		if (!this.#view) return;
		const is = this.pending.reference(this.#view);
		this.pending.send({ ...is, from_right: !is.from_right }, this.slot);
	}

	/** @param {boolean} able */
	enable(able) {
		for (const n of this.node.querySelectorAll("[data-sends]")) attr(n, "disabled", !able);
	}
}

/** @param {CameraView} view */
function measuringWords(view) {
	const assumed = widthAssumed(view) ? ` The width, ${view.width}, is what the set assumes until a ruler is set.` : "";
	const scale = view.ruler ? ` The width is from the ruler in ${view.ruler.name}, ${view.ruler.length}.` : assumed;
	const kept = view.on_record === 0 ? "" : ` On record from frames: ${view.on_record}.`;
	if (view.empty === "") return `Open a frame without liquid, unfold “Measure with this frame” and tap “Empty frame”: the liquid is then found in the others.${scale}${kept}`;
	if (!view.lesson) return `Measured against ${view.empty}, which has no liquid: nothing yet that says how late a picture is.${scale}${kept}`;
	const { measured, words } = view.lesson;
	const record = view.on_record === 0 ? "" : view.on_record === measured ? "; all are on record" : `; ${view.on_record} on record`;
	return `Measured in ${measured === 1 ? "1 frame" : `${measured} frames`}, against ${view.empty}${record}.${scale} By what the frames suggest: ${words} You decide.`;
}
