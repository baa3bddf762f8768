// What is said of one shot: how it ended, its figures, and the verdicts that a person may give it.

import { attr, button, el, table } from "./dom.js";
import { icon } from "./icons.js";
import { fixed, ms, signed } from "./units.js";
import { pictures, pictureWord, verdicts, verdictWord } from "./verdicts.js";

/** @import { Command, ShotView } from "../protocol.d.ts" */

/** @param {ShotView} s */
const remarkWords = (s) => [
	s.verdict && verdictWord(s.verdict),
	s.past_mm !== null && "measured",
	pictureWord(s.picture),
	s.star && "kept",
];

/**
 * Buttons for what a person may say of a shot, in two rows of five. Each has its place, whether it can be said or not;
 * the tenth is left to the caller.
 * @param {(say: (shot: ShotView) => Command) => void} judge sends what is made of the shot that is shown
 */
export function remarkButtons(judge) {
	/** @type {(attrs: import("./dom.js").Attrs, sign: string, word: string, say: (s: ShotView) => Command) => Node} */
	const one = (attrs, sign, word, say) =>
		button({ ...attrs, onclick: () => judge(say) }, icon(sign), el("span", {}, word));
	const verdict = (/** @type {typeof verdicts[0]} */ v) =>
		one({ "data-verdict": v.verdict }, v.sign, v.word, (s) => ({
			type: "verdict",
			shot: s.id,
			verdict: s.verdict === v.verdict ? "" : v.verdict,
		}));
	return [
		...verdicts.filter((v) => !v.aim).map(verdict),
		one({ "data-star": "" }, "star", "Keep", (s) => ({ type: "star", shot: s.id, star: !s.star })),
		...verdicts.filter((v) => v.aim).map(verdict),
		...pictures.map((p) =>
			one({ "data-picture": p.picture }, p.sign, p.word, (s) => ({
				type: "picture",
				shot: s.id,
				picture: s.picture === p.picture ? "" : p.picture,
			})),
		),
	];
}

/**
 * Shows in the buttons what is said of a shot, and leaves out what cannot be.
 * @param {Element} group
 * @param {ShotView} s
 */
export function showRemarks(group, s) {
	attr(group, "data-shot", s.id);
	attr(group, "data-aimed", s.aimed);
	// A verdict would invite a trim, and a picture that the machine spoiled says nothing of the delay.
	attr(group, "data-spoiled", s.problem !== "");
	attr(group, "aria-label", `Verdict on shot ${s.number}`);
	for (const b of group.children) {
		if (!(b instanceof HTMLElement)) continue;
		const { verdict, picture, star } = b.dataset;
		if (verdict) attr(b, "aria-pressed", `${verdict === s.verdict}`);
		if (verdict) attr(b, "data-suggested", s.verdict === "" && verdict === s.camera?.verdict);
		if (picture) attr(b, "aria-pressed", `${picture === s.picture}`);
		if (star !== undefined) attr(b, "aria-pressed", `${s.star}`);
	}
}

/** When it was and its delay. @param {ShotView} s */
export const lineWords = (s) => `${clock(s.at)} · ${ms(s.delay_ms)}\u00a0ms`;

/** What the machine did wrong, what a person says, or that nobody has yet. @param {ShotView} s */
export const chipWords = (s) => [machineWords(s), ...remarkWords(s)].filter(Boolean).join(", ") || "not judged";

/** @param {ShotView} s */
export const chipKind = (s) => (!s.ok || s.problem ? "failed" : s.verdict || "none");

/** Its figures in a place, unless they are there already. @param {HTMLElement} place @param {ShotView} s */
export function showFigures(place, s) {
	const made = JSON.stringify([s.cues, s.delay_ms, s.interval_ms, s.status, s.late_ms, s.simulated, s.dated]);
	if (place.dataset.made === made) return;
	place.dataset.made = made;
	place.replaceChildren(...drawFigures(s));
}

/** @param {ShotView} s */
function drawFigures(s) {
	const facts = [`delay ${fixed(s.delay_ms, 2)} ms`];
	if (s.interval_ms !== null) facts.push(`gate interval ${fixed(s.interval_ms, 2)} ms`);
	if (s.dated) facts.push(s.dated);
	facts.push(s.simulated ? "simulated rig, not real hardware" : "real board");
	const rows = s.cues.map((c) =>
		el(
			"tr",
			{},
			el("th", { scope: "row" }, c.name),
			el("td", { "data-figure": "planned" }, long(c.planned_ms)),
			el("td", { "data-figure": "actual" }, long(c.actual_ms)),
			el("td", { "data-figure": "late" }, lateness(c.late_us)),
		),
	);
	const i = (/** @type {string} */ unit) => el("i", {}, unit);
	const heads = [["Cue"], ["Planned", i("ms")], ["Actual", i("ms")], ["Lateness"]];
	return [
		el("p", {}, happened(s)),
		el("p", { class: "facts" }, facts.join(" · ")),
		rows.length > 0 ? table(heads, rows) : el("p", {}, "No cue was fired."),
	];
}

/** What the machine did wrong in a few words, "" nothing. @param {ShotView} s */
function machineWords(s) {
	if (!s.ok) return `not done: ${s.status}`;
	if (s.late_ms === 0) return "";
	return s.late_ms > 0 ? "machine late" : "machine early";
}

/** What happened, in a sentence. @param {ShotView} s */
function happened(s) {
	const speed = s.speed_m_s === null ? "" : `, at ${fixed(s.speed_m_s, 2)} m/s`;
	const took = s.interval_ms === null ? "" : ` It went from beam to beam in ${fixed(s.interval_ms, 2)} ms${speed}.`;
	const flash = s.cues.find((c) => c.name === "flash");
	const fired = flash ? ` The flash fired ${fixed(flash.actual_ms, 2)} ms after ${timedFrom[s.kind]}.` : "";
	return `${endWords(s)}.${took}${fired}`;
}

/** What a shot's times count from. @type {Record<ShotView["kind"], string>} */
const timedFrom = { "": "the trigger", drop: "the beam", throw: "the second beam", sound: "the sound", drops: "the trigger" };

/** How it ended. @param {ShotView} s */
function endWords(s) {
	if (!s.ok) return `Not done: ${s.status}`;
	return s.late_ms === 0 ? "Fired as planned" : "Fired, but not as planned";
}

/** A lateness, in the unit in which it is easily read. @param {number} us */
function lateness(us) {
	return Math.abs(us) < 1000 ? `${signed(us, 1)} µs` : `${signed(us / 1000, 1)} ms`;
}

/** To the microsecond, unless it is so long ago that no column would hold it. @param {number} v */
const long = (v) => fixed(v, Math.abs(v) < 10_000 ? 3 : 1);

/** @param {string} at */
export function clock(at) {
	const t = new Date(at);
	return Number.isNaN(t.getTime())
		? ""
		: t.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });
}
