// Tries as marks over what was varied between them: a lane and a shape for each verdict, and the same in words.

import { el, svg, table } from "../dom.js";
import { fixed, signed } from "../units.js";
import { verdictWord } from "../verdicts.js";

/** @import { KindTries, Try, Verdict } from "../../protocol.d.ts" */

/** @typedef {{ from: number, to: number }} Range in ms */

/** The lanes from the top. @type {Verdict[]} */
const lanes = ["good", "early", "late", "too high", "too low", "nothing there", ""];

const pad = 10;
/** Beyond the last tick, for the half of its number. */
const padRight = 20;
const wordsWidth = 112;
const markSize = 12;
/** As many stand on one another before they become a number. */
const mostStacked = 4;
const laneAir = 12;
const tickAir = 62;

/** What the tries of one or more evenings need of an axis, with some air. @param {KindTries[]} list @returns {Range} */
export function rangeOf(list) {
	const at = list.flatMap((k) => [...k.tries.map((t) => t.at_ms), ...(k.best ? [k.best.at_ms] : [])]);
	const [low, high] = [Math.min(...at), Math.max(...at)];
	const air = Math.max((high - low) * 0.06, 1);
	return at.length > 0 ? { from: low - air, to: high + air } : { from: 0, to: 1 };
}

/** The verdicts that were given, in the order of the lanes. @param {KindTries} kind */
const given = (kind) => lanes.filter((v) => kind.tries.some((t) => t.verdict === v));

/**
 * Draw the tries of a kind at a width in CSS pixels, so that its letters keep their size on any screen.
 * @param {KindTries} kind
 * @param {number} width
 * @param {Range} range
 */
export function drawTries(kind, width, range = rangeOf([kind])) {
	const left = pad + wordsWidth;
	const x = (/** @type {number} */ at) => left + ((at - range.from) / (range.to - range.from)) * (width - left - padRight);
	const parts = [];
	let y = kind.best ? 26 : 4;
	for (const verdict of given(kind)) {
		const stacks = stackUp(kind.tries, verdict, x);
		const most = Math.max(...stacks.map((s) => s.tries));
		y += laneAir + Math.min(most, mostStacked) * markSize + (most > mostStacked ? 15 : 0);
		parts.push(svg("text", { x: pad, y: y - 1, class: "lane-words" }, verdictWord(verdict)));
		parts.push(svg("line", { x1: left, x2: width - padRight, y1: y + 3, y2: y + 3, class: "lane" }));
		parts.push(...stacks.flatMap((s) => drawStack(s, verdict, y)));
	}
	const foot = y + 8;
	if (kind.best) parts.unshift(...drawBest(x(kind.best.at_ms), foot, `best ${atWords(kind, kind.best.at_ms)}`, width));
	parts.push(...drawAxis(kind, range, x, foot, width));
	const box = { viewBox: `0 0 ${width} ${foot + 40}`, width, height: foot + 40 };
	return svg("svg", { ...box, class: "tries", role: "img", "aria-label": triesWords(kind) }, ...parts);
}

/** @typedef {{ x: number, tries: number }} Stack tries too near each other to stand side by side */

/** @param {Try[]} tries @param {Verdict} verdict @param {(at: number) => number} x @returns {Stack[]} */
function stackUp(tries, verdict, x) {
	/** @type {Map<number, { sum: number, tries: number }>} */
	const stacks = new Map();
	for (const t of tries) {
		if (t.verdict !== verdict) continue;
		const key = Math.round(x(t.at_ms) / (markSize + 2));
		const stack = stacks.get(key) ?? { sum: 0, tries: 0 };
		stacks.set(key, { sum: stack.sum + x(t.at_ms), tries: stack.tries + 1 });
	}
	return [...stacks.values()].map((s) => ({ x: s.sum / s.tries, tries: s.tries }));
}

/** @param {Stack} stack @param {Verdict} verdict @param {number} y of the lane's line */
function drawStack({ x, tries }, verdict, y) {
	const marks = Array.from({ length: Math.min(tries, mostStacked) }, (_, i) =>
		shape(verdict, x, y - markSize / 2 - i * markSize),
	);
	if (tries <= mostStacked) return marks;
	const top = y - mostStacked * markSize - 3;
	return [...marks, svg("text", { x, y: top, class: "many", "text-anchor": "middle" }, String(tries))];
}

/** A verdict's own shape, which its colour only repeats. @param {Verdict} verdict @param {number} x @param {number} y */
function shape(verdict, x, y) {
	const ring = `M${x - 4} ${y}a4 4 0 1 0 8 0a4 4 0 1 0 -8 0z`;
	/** @type {Record<Verdict, string>} */
	const paths = {
		good: ring,
		early: `${ring}M${x} ${y - 4}a4 4 0 0 1 0 8z`, // the later half is left open
		late: `${ring}M${x} ${y - 4}a4 4 0 0 0 0 8z`,
		"too high": `M${x - 4} ${y + 3}h8M${x} ${y + 3}v-8M${x - 3} ${y - 2}l3 -3l3 3`,
		"too low": `M${x - 4} ${y - 4}h8M${x} ${y - 4}v8M${x - 3} ${y + 1}l3 3l3 -3`,
		"nothing there": `M${x - 4} ${y - 4}l8 8M${x + 4} ${y - 4}l-8 8`,
		"": ring,
	};
	return svg("path", { d: paths[verdict], class: "try", "data-verdict": verdict || "none" });
}

/** @param {number} x @param {number} foot @param {string} words @param {number} width */
function drawBest(x, foot, words, width) {
	const half = words.length * 3.7;
	const at = Math.min(Math.max(x, pad + half), width - half);
	return [
		svg("line", { x1: x, x2: x, y1: 20, y2: foot, class: "best" }),
		svg("text", { x: at, y: 15, class: "best-words", "text-anchor": "middle" }, words),
	];
}

/**
 * @param {KindTries} kind
 * @param {Range} range
 * @param {(at: number) => number} x
 * @param {number} y
 * @param {number} width
 */
function drawAxis(kind, range, x, y, width) {
	const left = pad + wordsWidth;
	const most = Math.max(1, (width - left) / tickAir);
	const rough = (range.to - range.from) / most;
	const power = 10 ** Math.floor(Math.log10(rough));
	const step = [1, 2, 5, 10].map((n) => n * power).find((s) => s >= rough) ?? rough;
	const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
	/** @type {SVGElement[]} */
	const parts = [svg("line", { x1: left, x2: width - padRight, y1: y, y2: y, class: "axis" })];
	for (let i = Math.ceil(range.from / step); i * step <= range.to; i++) {
		const at = x(i * step);
		const text = kind.axis === "trim" ? signed(i * step, digits) : fixed(i * step, digits);
		parts.push(svg("line", { x1: at, x2: at, y1: y, y2: y + 5, class: "axis" }));
		parts.push(svg("text", { x: at, y: y + 18, class: "tick", "text-anchor": "middle" }, text));
	}
	const end = { x: width - padRight, y: y + 34, class: "tick", "text-anchor": "end" };
	return [...parts, svg("text", end, kind.axis === "trim" ? "trim in ms" : "delay in ms")];
}

/** A place on the axis. @param {KindTries} kind @param {number} at */
export const atWords = (kind, at) => `${kind.axis === "trim" ? signed(at, 1) : fixed(at, 1)} ms`;

/** What the drawing shows. @param {KindTries} kind */
export function triesWords(kind) {
	const at = kind.tries.map((t) => t.at_ms);
	if (at.length === 0) return "There are no tries to draw.";
	const counts = given(kind).map((v) => `${kind.tries.filter((t) => t.verdict === v).length} ${verdictWord(v).toLowerCase()}`);
	const [low, high] = [Math.min(...at), Math.max(...at)].map((v) => atWords(kind, v));
	const where = low === high ? `at a ${kind.axis} of ${low}` : `with a ${kind.axis} from ${low} to ${high}`;
	const newest = at.length < kind.count ? `The newest ${at.length} of ${kind.count} tries` : `${at.length} tries`;
	return `${at.length === 1 ? "One try" : newest} ${where}: ${counts.join(", ")}. ${bestWords(kind)}`;
}

/** Where the tries were good most often, or why that is not known. @param {KindTries} kind */
export function bestWords(kind) {
	const { best, axis } = kind;
	if (!best) return kind.why;
	return `Best ${axis}: ${atWords(kind, best.at_ms)}, where ${best.good} of ${best.tries} were good.`;
}

/** The tries as a table: how many at each millisecond. @param {KindTries} kind */
export function triesTable(kind) {
	const verdicts = given(kind);
	/** @type {Map<number, Try[]>} */
	const groups = new Map();
	for (const t of kind.tries) {
		const key = Math.round(t.at_ms);
		groups.set(key, [...(groups.get(key) ?? []), t]);
	}
	const rows = [...groups]
		.sort(([a], [b]) => a - b)
		.map(([at, tries]) => {
			const count = (/** @type {Verdict} */ v) => el("td", {}, String(tries.filter((t) => t.verdict === v).length));
			const head = el("th", { scope: "row" }, kind.axis === "trim" ? signed(at, 0) : fixed(at, 0));
			return el("tr", {}, head, ...verdicts.map(count));
		});
	const first = [kind.axis === "trim" ? "Trim" : "Delay", el("i", {}, "ms")];
	return table([first, ...verdicts.map((v) => [verdictWord(v)])], rows);
}
