// The last shots: planned and actual times, what the simulated camera saw, and the verdict.

import { attr, button, el, keyed, table, text } from "./dom.js";
import { icon } from "./icons.js";
import { show, slot } from "./refusals.js";
import { fixed, ms, signed } from "./units.js";

/** @import { ShotView, Verdict } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

/** @type {{ verdict: Verdict, word: string, sign: string }[]} */
const verdicts = [
	{ verdict: "early", word: "Early", sign: "early" },
	{ verdict: "good", word: "Good", sign: "good" },
	{ verdict: "late", word: "Late", sign: "late" },
	{ verdict: "nothing there", word: "Nothing there", sign: "nothing" },
];

/** @typedef {HTMLElement & { refresh: (shot: ShotView, newest: boolean) => void }} Card */

/**
 * Show the shots, newest first. The newest is open; older ones fold to a line.
 * @param {Element} list
 * @param {ShotView[]} shots
 * @param {Commands} commands
 */
export function showShots(list, shots, commands) {
	keyed(
		list,
		shots,
		(s) => String(s.id),
		(s) => card(s, commands),
		(node, s, i) => node.refresh(s, i === 0),
	);
}

/** @param {ShotView} first @param {Commands} commands */
function card(first, commands) {
	const place = slot();
	const noteNo = slot(`note-${first.id}-no`);
	let shot = first;
	let wasNewest = false;
	const number = el("b", { class: "number" });
	const line = el("span", { class: "line" });
	const chip = el("span", { class: "chip" });
	const figures = el("div", { class: "figures" });
	const seen = el("p", { class: "seen" });
	const problem = el("p", { class: "problem" });
	const group = el("div", { class: "verdicts", role: "group" });
	for (const v of verdicts) {
		const judge = () => {
			const verdict = shot.verdict === v.verdict ? "" : v.verdict;
			commands.send({ type: "verdict", shot: shot.id, verdict }, place);
		};
		group.append(button({ "data-verdict": v.verdict, onclick: judge }, icon(v.sign), el("span", {}, v.word)));
	}
	const noteId = `note-${first.id}`;
	const note = el("input", {
		id: noteId,
		type: "text",
		maxlength: 500,
		enterkeyhint: "done",
		autocomplete: "off",
		"aria-describedby": noteNo.id,
		onchange: () => {
			const typed = note.value.trim();
			const sent = commands.send({ type: "note", shot: shot.id, text: typed }, noteNo, (refusal) => {
				if (refusal) show(noteNo, refusal, `“${typed}” was not taken.`);
				note.value = shot.note;
			});
			if (!sent) note.value = shot.note;
		},
	});
	const fold = el(
		"details",
		{},
		el("summary", {}, number, line, chip),
		problem,
		group,
		place,
		figures,
		seen,
		el("div", { class: "note" }, el("label", { for: noteId }, "Note"), note),
		noteNo,
	);
	const node = /** @type {any} */ (el("li", { class: "shot" }, fold));

	/** @type {Card["refresh"]} */
	node.refresh = (s, newest) => {
		shot = s;
		// A newer shot does not remove the field in which a note is being written.
		if (newest !== wasNewest) fold.open = newest || document.activeElement === note;
		wasNewest = newest;
		attr(node, "data-ok", s.ok ? "yes" : "no");
		attr(node, "data-shot", s.id);
		text(number, `No. ${s.number}`);
		text(line, `${clock(s.at)} · ${ms(s.delay_ms)}\u00a0ms`);
		const word = verdicts.find((v) => v.verdict === s.verdict)?.word;
		const said = [machineWords(s), word].filter(Boolean);
		text(chip, said.join(", ") || "not judged");
		attr(chip, "data-kind", !s.ok || s.problem ? "failed" : s.verdict || "none");
		text(problem, s.problem);
		problem.hidden = s.problem === "";
		// A verdict would invite a trim, and this picture says nothing of the delay.
		group.hidden = s.problem !== "";
		const made = JSON.stringify([s.cues, s.delay_ms, s.interval_ms, s.status, s.late_ms, s.simulated, s.dated]);
		if (figures.dataset.made !== made) {
			figures.dataset.made = made;
			figures.replaceChildren(...drawFigures(s));
		}
		text(seen, s.seen ? `The simulated camera saw: ${s.seen}` : "");
		seen.hidden = s.seen === "";
		attr(group, "aria-label", `Verdict on shot ${s.number}`);
		for (const b of group.children) {
			attr(b, "aria-pressed", `${b.getAttribute("data-verdict") === s.verdict}`);
		}
		if (document.activeElement !== note) note.value = s.note;
	};
	return node;
}

/** @param {ShotView} s */
function drawFigures(s) {
	const facts = [endWords(s), `delay ${fixed(s.delay_ms, 2)} ms`];
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
function clock(at) {
	const t = new Date(at);
	return Number.isNaN(t.getTime())
		? ""
		: t.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });
}
