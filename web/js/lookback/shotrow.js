// One shot on record: a row of fixed height, and what is below it when it is opened.

import { attr, button, el, text } from "../dom.js";
import { icon } from "../icons.js";
import { show, slot } from "../refusals.js";
import { fixed, ms, signed } from "../units.js";
import { pictureButtons, pictureWord, verdictButtons, verdictSign, verdictWord } from "../verdicts.js";
import { isWithheld, reveal } from "../withheld.js";
import { clock, showFigures } from "../shot.js";
import { fileName, fileNumber, notAFile } from "./filenumber.js";
import { SetReuse } from "./setreuse.js";

/** @import { CameraFrame, Command, ShotView } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */

/**
 * @typedef {object} RowHost what a row needs of the list that it is in
 * @property {Commands} commands
 * @property {boolean} able whether something can be changed now
 * @property {(shot: ShotView, change: Partial<ShotView>) => void} changed the machine took a remark
 * @property {(row: ShotRow) => void} toggle
 * @property {() => void} renumbered the files of later shots have other numbers now
 * @property {(shot: number) => CameraFrame | null} frameOf by the shot's ID
 * @property {(name: string) => void} enlarge a frame
 */

export class ShotRow {
	/** @type {Detail | null} */ #detail = null;

	/** @param {ShotView} shot @param {RowHost} host */
	constructor(shot, host) {
		this.shot = shot;
		this.host = host;
		this.star = button({ class: "star", "data-sends": true, onclick: () => this.#keep() });
		this.titleLine = el("span", { class: "row-line" });
		this.timeLine = el("span", { class: "row-line" });
		this.remarkLine = el("span", { class: "row-line" });
		this.open = button({ class: "row-open", "aria-expanded": "false", onclick: () => host.toggle(this) });
		this.open.append(this.titleLine, this.timeLine, this.remarkLine);
		this.head = el("div", { class: "row-head" }, this.star, this.open);
		this.starSlot = slot();
		this.node = el("li", { class: "past-shot", "data-number": shot.number }, this.head, this.starSlot);
		this.show(shot);
	}

	get opened() {
		return this.#detail !== null;
	}

	/** @param {ShotView} shot */
	show(shot) {
		this.shot = shot;
		const made = JSON.stringify(shot);
		if (this.node.dataset.made === made) return;
		this.node.dataset.made = made;
		attr(this.star, "aria-pressed", `${shot.star}`);
		attr(this.star, "aria-label", `Keep shot ${shot.number}`);
		this.star.replaceChildren(icon(shot.star ? "kept" : "star"));
		attr(this.star, "disabled", !this.host.able);
		const file = shot.file ? el("span", { class: "row-file" }, `file ${fileName(shot.file)}`) : null;
		this.titleLine.replaceChildren(el("b", {}, `No. ${shot.number}`), el("span", {}, ` ${clock(shot.at)} `), file ?? "");
		this.timeLine.replaceChildren(el("span", {}, timeWords(shot)));
		this.remarkLine.replaceChildren(...remarkNodes(shot));
		this.#detail?.show(shot);
	}

	/** Something can be changed now, or not. @param {boolean} able */
	enable(able) {
		attr(this.star, "disabled", !able);
		this.#detail?.enable(able);
	}

	/** More is known of its frame. */
	seen() {
		this.#detail?.show(this.shot);
	}

	/** Open or close what is below the row. @param {boolean} open */
	set(open) {
		attr(this.open, "aria-expanded", `${open}`);
		if (open === this.opened) return;
		if (open) {
			this.#detail = new Detail(this.shot, this.host);
			this.node.append(this.#detail.node);
			this.#detail.enable(this.host.able);
		} else {
			this.#detail?.node.remove();
			this.#detail = null;
		}
	}

	#keep() {
		const star = !this.shot.star;
		this.host.commands.send({ type: "star", shot: this.shot.id, star }, this.starSlot, (refusal) => {
			if (!refusal) this.host.changed(this.shot, { star });
		});
	}
}

/** What is below an opened row. */
class Detail {
	#typing = false;

	/** @param {ShotView} shot @param {RowHost} host */
	constructor(shot, host) {
		this.shot = shot;
		this.host = host;
		this.slot = slot();
		this.problem = el("p", { class: "problem" });
		this.verdicts = verdictButtons((verdict) => this.#say({ type: "verdict", verdict }, { verdict }));
		this.pictures = pictureButtons((picture) => this.#say({ type: "picture", picture }, { picture }));
		this.note = this.#field("note", "Note", { maxlength: 500 }, (typed) => this.#note(typed));
		this.file = this.#field("file", "Camera's file number", { inputmode: "numeric", maxlength: 4 }, (t) => this.#file(t));
		this.figures = el("div", { class: "figures" });
		this.seen = el("p", { class: "seen", tabindex: -1 });
		this.tell = button({ class: "tell", onclick: () => this.#reveal() }, "Show what was measured");
		this.img = el("img", { loading: "lazy", decoding: "async" });
		this.frame = button({ class: "past-frame", onclick: () => this.#enlarge() }, this.img);
		this.none = el("span", { class: "camera-none", hidden: true }, "The picture could not be loaded.");
		this.frame.append(this.none);
		for (const came of [true, false]) this.img.addEventListener(came ? "load" : "error", () => {
			this.img.hidden = !came;
			this.none.hidden = came;
		});
		this.again = new SetReuse(host.commands, { shot: shot.id }, "Use this shot's set again");
		this.fileHint = el("p", { class: "hint" });
		this.node = el("div", { class: "past-detail" }, this.frame, this.problem, this.verdicts.node, this.pictures.node, this.slot);
		this.node.append(this.note.node, this.file.node, this.fileHint, this.figures, this.seen, this.tell, this.again.node);
		for (const b of this.node.querySelectorAll("button:not(.tell, .past-frame), input")) attr(b, "data-sends", true);
		this.show(shot);
	}

	/** @param {ShotView} shot */
	show(shot) {
		this.shot = shot;
		this.#showFrame(shot);
		text(this.problem, shot.problem);
		this.problem.hidden = shot.problem === "";
		// A verdict would be on the delay, of which this picture says nothing; one that is there can be taken back.
		this.verdicts.node.hidden = shot.problem !== "" && shot.verdict === "";
		this.verdicts.show(shot.verdict, shot.aimed, `Verdict on shot ${shot.number}`, shot.problem !== "");
		this.pictures.show(shot.picture, `What is wrong with the picture of shot ${shot.number}`);
		if (!this.#typing) {
			this.note.input.value = shot.note;
			this.file.input.value = shot.file ? fileName(shot.file) : "";
		}
		const frame = this.host.frameOf(shot.id);
		attr(this.file.input, "placeholder", frame?.number ? fileName(frame.number) : null);
		text(this.fileHint, fileWords(shot, frame));
		showFigures(this.figures, shot);
		text(this.seen, shot.seen ? `The simulated camera saw: ${shot.seen}` : "");
		this.seen.hidden = shot.seen === "" || isWithheld(shot);
		this.tell.hidden = !isWithheld(shot);
	}

	/** What the simulated camera saw, without a verdict. */
	#reveal() {
		reveal(this.shot);
		this.show(this.shot);
		this.seen.focus();
	}

	/** The camera's frame, in a place that keeps its size whether it has come or not. @param {ShotView} shot */
	#showFrame(shot) {
		const name = this.host.frameOf(shot.id)?.name;
		const address = `/record/frames/${shot.id}${name ? `?${new URLSearchParams({ frame: name })}` : ""}`;
		if (!shot.framed) {
			this.frame.hidden = true;
			this.img.removeAttribute("src"); // or what was not there would not be asked for again
		} else if (this.img.getAttribute("src") !== address) {
			this.frame.hidden = false;
			attr(this.img, "src", address);
		}
		attr(this.img, "alt", `The camera's frame of shot ${shot.number}${shot.verdict ? `, called ${verdictWord(shot.verdict)}` : ""}`);
	}

	#enlarge() {
		const frame = this.host.frameOf(this.shot.id);
		if (frame) this.host.enlarge(frame.name);
	}

	/** @param {boolean} able */
	enable(able) {
		for (const b of this.node.querySelectorAll("[data-sends]")) attr(b, "disabled", !able);
		this.again.enable(able);
	}

	/**
	 * A field that is sent when it is left.
	 * @param {string} name
	 * @param {string} label
	 * @param {import("../dom.js").Attrs} attrs
	 * @param {(typed: string) => void} send
	 */
	#field(name, label, attrs, send) {
		const id = `past-${name}-${this.shot.id}`;
		const input = el("input", {
			id,
			type: "text",
			enterkeyhint: "done",
			autocomplete: "off",
			...attrs,
			oninput: () => (this.#typing = true),
			onchange: () => {
				this.#typing = false;
				send(input.value.trim());
			},
		});
		return { input, node: el("div", { class: `past-field past-${name}` }, el("label", { for: id }, label), input) };
	}

	/** @param {string} typed */
	#note(typed) {
		this.#say({ type: "note", text: typed }, { note: typed }, typed);
	}

	/** @param {string} typed */
	#file(typed) {
		const file = fileNumber(typed);
		if (file === null) return show(this.slot, notAFile(typed));
		this.#say({ type: "file", file }, { file }, typed, () => this.host.renumbered());
	}

	/**
	 * Send a remark; the row shows it once the machine has it.
	 * @param {Command} command
	 * @param {Partial<ShotView>} change
	 * @param {string} [typed]
	 * @param {() => void} [then]
	 */
	#say(command, change, typed, then) {
		const shot = this.shot;
		const sent = this.host.commands.send({ ...command, shot: shot.id }, this.slot, (refusal) => {
			if (refusal && typed !== undefined) show(this.slot, refusal, `“${typed}” was not accepted.`);
			if (refusal) return this.show(this.shot);
			this.host.changed(shot, change);
			then?.();
		});
		if (!sent) this.show(shot);
	}
}


/** What the camera's own number is, by what was typed and by the frame. @param {ShotView} s @param {CameraFrame | null} f */
function fileWords(s, f) {
	const counts = "Later shots count on from a number you type.";
	if (!f || f.number === 0) return `${counts} Empty: none is known.`;
	if (s.file === 0) return `Its frame is ${f.name}: no number has to be typed. ${counts}`;
	return s.file === f.number ? counts : `${fileName(s.file)} was typed, but its frame is ${f.name}: one of them is wrong. Open the frame to say which shot it is, or correct the number.`;
}

/** @param {ShotView} s */
function timeWords(s) {
	const words = [`${ms(s.delay_ms)} ms`];
	if (s.trim_ms !== 0) words.push(`trim ${signed(s.trim_ms, 1)} ms`);
	if (s.speed_m_s !== null) words.push(`${fixed(s.speed_m_s, 2)} m/s`);
	return words.join(" · ");
}

/** How far past its place, so short that a row holds it. @param {number} past @param {number} sd */
function measuredWords(past, sd) {
	const [by, off] = [Math.abs(past), sd].map((v) => fixed(v, v < 10 ? 1 : 0));
	return `Measured: ${by} ± ${off} mm ${past < 0 ? "short" : "past"}`;
}

/** The verdict, what is wrong with the picture, and what the machine did wrong. @param {ShotView} s */
function remarkNodes(s) {
	const nodes = [];
	const failed = machineWords(s);
	if (failed !== "") nodes.push(el("span", { class: "row-failed" }, failed));
	const measured = s.past_mm !== null && s.past_sd_mm !== null ? measuredWords(s.past_mm, s.past_sd_mm) : "";
	if (measured !== "") nodes.push(el("span", { class: "row-measured" }, measured));
	if (s.verdict !== "" || (failed === "" && measured === "")) {
		nodes.push(el("span", { class: "row-verdict", "data-verdict": s.verdict || "none" }, icon(verdictSign(s.verdict)), verdictWord(s.verdict)));
	}
	if (s.picture !== "") nodes.push(el("span", { class: "row-picture" }, pictureWord(s.picture)));
	if (s.note !== "") nodes.push(el("span", { class: "row-note" }, s.note));
	return nodes.flatMap((n, i) => (i === 0 ? [n] : [", ", n]));
}

/** What the machine did wrong in a few words, "" nothing. @param {ShotView} s */
export function machineWords(s) {
	if (!s.ok) return `Not done: ${s.status}`;
	if (s.late_ms === 0) return "";
	return `Machine ${fixed(Math.abs(s.late_ms), 1)} ms ${s.late_ms > 0 ? "late" : "early"}`;
}
