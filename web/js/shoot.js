// The place Shoot: the last shot with its verdict, the trim, and what comes.

import { attr, byId, text } from "./dom.js";
import { Coming } from "./coming.js";
import { trimField } from "./fields.js";
import { Judging } from "./judging.js";
import { sentence, show, slot } from "./refusals.js";
import { trims } from "./set.js";
import { chipKind, chipWords, lineWords, showFigures, verdictButtons } from "./shot.js";
import { voice } from "./voice.js";

/** @import { Kind, ShotView, Snapshot, Verdict } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

export class Shoot {
	/** @type {Snapshot | null} */ #snap = null;
	/** The shot that is shown. @type {ShotView | null} */ #shot = null;
	/** The newest one that was read out; those before the page was opened are not. */ #told = -1;
	#kind = "";

	/** @param {Commands} commands */
	constructor(commands) {
		this.commands = commands;
		this.coming = new Coming();
		this.trims = {
			drop: trimField(trims.drop, commands),
			throw: trimField(trims.throw, commands),
			sound: trimField(trims.sound, commands),
		};
		this.fields = Object.values(this.trims);
		this.no = slot();
		byId("shoot-says").append(this.no, ...this.fields.map((f) => f.slot));
		this.section = byId("shot");
		this.verdicts = byId("verdicts");
		this.verdicts.append(...verdictButtons((v) => this.#judge(v)));
		this.note = /** @type {HTMLInputElement} */ (byId("note"));
		this.note.addEventListener("change", () => this.#keepNote());
		this.judging = new Judging(byId("shoot"), byId("shots-newer"), () => this.#showShot());
	}

	/** @param {Snapshot} snap */
	show(snap) {
		this.#snap = snap;
		for (const f of this.fields) f.update(snap);
		this.#placeTrim(snap.set.kind);
		this.coming.show(snap);
		this.#showShot();
		this.#tell(snap.shots[0]);
	}

	/** @param {Kind} kind */
	#placeTrim(kind) {
		if (kind === this.#kind) return;
		this.#kind = kind;
		byId("trim").replaceChildren(this.trims[kind].node);
	}

	#showShot() {
		if (!this.#snap) return;
		const s = this.judging.admit(this.#snap.shots)[0] ?? null;
		const other = s?.id !== this.#shot?.id;
		this.#shot = s;
		this.section.hidden = !s;
		byId("shot-none").hidden = s !== null;
		// A verdict would invite a trim, and a picture that the machine spoiled says nothing of the delay.
		this.verdicts.classList.toggle("absent", !s || s.problem !== "");
		if (!s) return;
		if (other) show(this.no, null);
		attr(this.section, "data-shot", s.id);
		attr(this.section, "data-number", s.number);
		attr(this.section, "data-ok", s.ok ? "yes" : "no");
		const part = (/** @type {string} */ name) => /** @type {HTMLElement} */ (this.section.querySelector(`.${name}`));
		text(part("number"), `No. ${s.number}`);
		text(part("line"), lineWords(s));
		text(part("chip"), chipWords(s));
		attr(part("chip"), "data-kind", chipKind(s));
		text(part("problem"), s.problem);
		text(part("seen"), s.seen ? `The simulated camera saw: ${s.seen}` : "");
		showFigures(part("figures"), s);
		attr(this.verdicts, "data-shot", s.id);
		attr(this.verdicts, "aria-label", `Verdict on shot ${s.number}`);
		for (const b of this.verdicts.children) {
			attr(b, "aria-pressed", `${b.getAttribute("data-verdict") === s.verdict}`);
		}
		if (document.activeElement !== this.note) this.note.value = s.note;
	}

	/** @param {Verdict} verdict */
	#judge(verdict) {
		const s = this.#shot;
		if (!s) return;
		this.commands.send({ type: "verdict", shot: s.id, verdict: s.verdict === verdict ? "" : verdict }, this.no);
	}

	#keepNote() {
		const s = this.#shot;
		if (!s) return;
		const typed = this.note.value.trim();
		const no = byId("note-no");
		const back = () => (this.note.value = this.#shot?.note ?? "");
		const sent = this.commands.send({ type: "note", shot: s.id, text: typed }, no, (refusal) => {
			if (!refusal) return;
			show(no, refusal, `“${typed}” was not taken.`);
			back();
		});
		if (!sent) back();
	}

	/** A shot that is new since the page was opened is read out once. @param {ShotView | undefined} shot */
	#tell(shot) {
		const id = shot?.id ?? 0;
		if (shot && this.#told >= 0 && id > this.#told) {
			voice.say(sentence(`shot ${shot.number}: ${shot.problem || shot.status}. ${shot.seen && `The camera saw: ${shot.seen}`}`));
		}
		this.#told = id;
	}
}
