// The place Shoot: the last shot with its verdict, the trim, and what comes.

import { unanswered } from "./commands.js";
import { attr, button, byId, el, intoSight, text } from "./dom.js";
import { Armed } from "./armed.js";
import { delayWords, gapWords, trimField } from "./fields.js";
import { Frames } from "./frames.js";
import { icon } from "./icons.js";
import { Judging } from "./judging.js";
import { Learned } from "./learned.js";
import { Measured } from "./measured.js";
import { NextShot } from "./nextshot.js";
import { sentence, show, slot } from "./refusals.js";
import { gapTrim, trims, worksOutGap } from "./set.js";
import { Summary } from "./summary.js";
import { Sweep } from "./sweep.js";
import { chipKind, chipWords, lineWords, remarkButtons, showFigures, showRemarks } from "./shot.js";
import { voice } from "./voice.js";
import { isWithheld, reveal, shownWords } from "./withheld.js";
import { isDark } from "./words.js";

/** @import { Command, ShotView, Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

/** Between the shots of a pace there is time for a picture. @param {Snapshot} snap */
const pausing = (snap) => snap.state === "armed" && snap.room !== null && snap.room.next_at > 0 && !snap.room.busy;

export class Shoot {
	/** @type {Snapshot | null} */ #snap = null;
	/** The shot that is shown. @type {ShotView | null} */ #shot = null;
	/** The newest one that was read out; those before the page was opened are not. */ #announced = -1;
	/** The newest shot when it was armed; null: nothing is armed. @type {number | null} */ #armedAfter = null;
	/** The trim that is shown. */ #trim = "";
	/** A collision's: that of the gap, rather than that of the delay. */ #gap = false;
	holding = false;

	/** @param {Commands} commands */
	constructor(commands) {
		this.commands = commands;
		this.armed = new Armed();
		this.nextShot = new NextShot();
		this.frames = new Frames(commands);
		this.summary = new Summary(this.frames);
		const swap = () => this.#swap();
		this.trims = {
			drop: trimField(trims.drop, commands, delayWords),
			throw: trimField(trims.throw, commands, delayWords),
			sound: trimField(trims.sound, commands, delayWords),
			drops: trimField(trims.drops, commands, delayWords, swap),
			gap: trimField(gapTrim, commands, gapWords, swap),
		};
		this.fields = Object.values(this.trims);
		this.slot = slot();
		this.sweep = new Sweep(commands, this.slot);
		byId("shoot-says").append(this.slot, ...this.fields.map((f) => f.slot));
		this.section = byId("shot");
		intoSight(byId("shot-fold"));
		this.verdicts = byId("verdicts");
		this.note = /** @type {HTMLInputElement} */ (byId("note"));
		this.note.addEventListener("change", () => this.#keepNote());
		const write = button({ onclick: () => this.#writeNote() }, icon("note"), el("span", {}, "Note"));
		this.verdicts.append(...remarkButtons((say) => this.#judge(say)), write);
		/** @type {HTMLElement} */ (this.section.querySelector(".tell")).addEventListener("click", () => this.#reveal());
		this.learned = new Learned(commands, this.slot);
		this.measured = new Measured(commands, byId("note-refusal"));
		this.judging = new Judging(byId("shoot"), byId("shots-newer"), () => this.#showShot());
	}

	/** @param {Snapshot} snap @param {boolean} holding */
	show(snap, holding) {
		this.#snap = snap;
		this.holding = holding;
		for (const f of this.fields) f.update(snap);
		this.#placeTrim();
		this.nextShot.show(snap);
		this.sweep.show(snap);
		this.summary.show(snap);
		this.learned.show(snap);
		this.#armedAfter = isDark(snap) ? (this.#armedAfter ?? snap.shots[0]?.id ?? 0) : null;
		attr(byId("trim"), "data-fixed", isDark(snap) && snap.dry_run);
		this.#showShot();
		this.#announce(snap.shots[0]);
	}

	#placeTrim() {
		const set = this.#snap?.set;
		if (!set) return;
		const name = this.#gap && worksOutGap(set) ? "gap" : set.kind;
		if (name === this.#trim) return;
		this.#trim = name;
		const field = this.trims[name];
		field.aside.append(...(name === "gap" ? [this.learned.gap] : [this.learned.button, this.sweep.stop]));
		byId("trim").replaceChildren(field.node);
	}

	/** From the delay's trim to the gap's, and back. */
	#swap() {
		this.#gap = !this.#gap;
		this.#placeTrim();
		/** @type {HTMLElement} */ (byId("trim").querySelector(".swap")).focus();
	}

	#showShot() {
		if (!this.#snap) return;
		const s = this.judging.admit(this.#snap.shots)[0] ?? null;
		const safe = ["safe", "fault"].includes(this.#snap.state);
		attr(byId("shoot"), "data-paced", !safe && (this.#snap.room?.next_at ?? 0) > 0);
		this.frames.show(this.#snap.shots, s, safe, safe || pausing(this.#snap), this.holding, this.#snap.session.id);
		const other = s?.id !== this.#shot?.id;
		this.#shot = s;
		this.section.hidden = !s;
		byId("shot-none").hidden = s !== null;
		this.verdicts.classList.toggle("absent", !s);
		// While it is armed, only a shot that came since then is shown.
		const fresh = s !== null && this.#armedAfter !== null && s.id > this.#armedAfter;
		byId("shoot").classList.toggle("shot-came", fresh);
		if (!s) return;
		if (other) show(this.slot, null);
		attr(this.section, "data-shot", s.id);
		attr(this.section, "data-number", s.number);
		attr(this.section, "data-ok", s.ok ? "yes" : "no");
		const part = (/** @type {string} */ name) => /** @type {HTMLElement} */ (this.section.querySelector(`.${name}`));
		text(part("number"), `No. ${s.number}`);
		text(part("line"), lineWords(s));
		text(part("chip"), chipWords(s));
		attr(part("chip"), "data-kind", chipKind(s));
		text(part("problem"), s.problem);
		text(part("seen-words"), s.framed || s.frame ? shownWords(s) : s.seen && `Simulated camera: ${s.seen}`);
		part("tell").hidden = !isWithheld(s);
		showFigures(part("figures"), s);
		this.measured.show(s, this.holding);
		showRemarks(this.verdicts, s);
		if (document.activeElement !== this.note) this.note.value = s.note;
	}

	/** @param {(shot: ShotView) => Command} say */
	#judge(say) {
		if (this.#shot) this.commands.send(say(this.#shot), this.slot);
	}

	/** The words without a verdict. */
	#reveal() {
		if (!this.#shot) return;
		reveal(this.#shot);
		this.#showShot();
		/** @type {HTMLElement} */ (this.section.querySelector(".seen-words")).focus();
	}

	#writeNote() {
		/** @type {HTMLDetailsElement} */ (byId("shot-fold")).open = true;
		this.note.focus();
	}

	#keepNote() {
		const s = this.#shot;
		if (!s) return;
		const typed = this.note.value.trim();
		const place = byId("note-refusal");
		const back = () => (this.note.value = this.#shot?.note ?? "");
		const sent = this.commands.send({ type: "note", shot: s.id, text: typed }, place, (refusal) => {
			if (!refusal) return;
			show(place, refusal, refusal === unanswered ? `“${typed}”:` : `“${typed}” was not accepted.`);
			back();
		});
		if (!sent) back();
	}

	/** A shot that is new since the page was opened is read out once. @param {ShotView | undefined} shot */
	#announce(shot) {
		const id = shot?.id ?? 0;
		if (shot && this.#announced >= 0 && id > this.#announced) {
			const seen = shot.seen && (isWithheld(shot) ? "Its picture waits to be judged" : `The camera saw: ${shot.seen}`);
			voice.say(sentence(`shot ${shot.number}: ${shot.problem || shot.status}. ${seen}`));
		}
		this.#announced = id;
	}
}
