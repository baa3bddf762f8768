// The next shot, drawn to scale: marks, the band in which the moment may fall, and each cue as a bar in its lane.

import { el, svg } from "../dom.js";
import { ms } from "../units.js";

/** @import { BarView, Mark, Preview } from "../../protocol.d.ts" */

const pad = 10;
const labelRow = 19;
const laneRow = 40;
const charPx = 7.4;
const boldPx = 9;
/** How long a flash is drawn at least: most are lit for less, and would not be seen. */
const flashPx = 9;

/** @typedef {{ from: number, to: number, x: (t: number) => number }} Scale */

/**
 * Draw a preview at a width in CSS pixels, so that its letters keep their size on any screen.
 * @param {Preview} preview
 * @param {number} width
 */
export function drawTimeline(preview, width) {
	const main = preview.bars.filter((b) => !b.opening);
	const opening = preview.bars.filter((b) => b.opening);
	const times = [0, preview.delay_low_ms, preview.delay_high_ms, preview.delay_ms];
	times.push(...preview.marks.map((m) => m.at_ms));
	times.push(...main.flatMap((b) => [b.from_ms, isFlash(b) && !b.light ? b.from_ms : b.to_ms]));
	const scale = scaleOver(times, width);

	const labels = placeLabels(preview.marks, scale, width);
	const rows = Math.max(1, ...labels.map((l) => l.row + 1));
	const top = rows * labelRow + 6;
	const lanesEnd = top + 16 + main.length * laneRow;

	const parts = [
		...band(preview, scale, top, lanesEnd),
		...labels.map((l) => markLine(l, top, lanesEnd)),
		...labels.flatMap((l) => markWords(l, top, width)),
		svg("line", { x1: pad, x2: width - pad, y1: top, y2: top, class: "water" }),
		...main.flatMap((b, i) => drawLane(b, scale, top + 16 + i * laneRow, width)),
		...axis(scale, lanesEnd + 4, width, preview.from_go ? "ms after Go" : "ms after the edge"),
		...bandWords(preview, lanesEnd + 40),
	];
	let height = lanesEnd + 44;
	if (opening.length > 0) {
		const begin = height + 18;
		const end = begin + 12 + opening.length * laneRow;
		const fromGo = scaleOver([0, ...opening.flatMap((b) => [b.from_ms, b.to_ms])], width);
		parts.push(
			words(pad, begin, "Counted from Go, on a separate clock"),
			...opening.flatMap((b, i) => drawLane(b, fromGo, begin + 12 + i * laneRow, width)),
			...axis(fromGo, end + 4, width, "ms after Go"),
		);
		height = end + 44;
	}
	return svg(
		"svg",
		{
			viewBox: `0 0 ${width} ${height}`,
			width,
			height,
			class: "timeline",
			role: "img",
			"aria-label": preview.summary,
		},
		hatch(),
		...parts,
	);
}

/** A linear scale over some times with a margin. @param {number[]} times @param {number} width @returns {Scale} */
function scaleOver(times, width) {
	let from = Math.min(...times);
	let to = Math.max(...times);
	const air = Math.max((to - from) * 0.04, 0.5);
	from -= air;
	to += air;
	return { from, to, x: (t) => pad + ((t - from) / (to - from)) * (width - 2 * pad) };
}

/**
 * @typedef {{ mark: Mark, text: string, x: number, left: number, right: number, row: number, anchor: string }} Label
 */

/**
 * Give each mark's words a row and a side so that they overlap neither other words nor another's line.
 * @param {Mark[]} marks
 * @param {Scale} scale
 * @param {number} width
 */
function placeLabels(marks, scale, width) {
	/** @type {Label[]} */
	const placed = [];
	for (const mark of [...marks].sort((a, b) => b.at_ms - a.at_ms)) {
		const text = `${mark.name} ${ms(mark.at_ms)}`;
		const x = scale.x(mark.at_ms);
		const long = lengthOf(mark, text) + 22;
		const choices = Array.from({ length: 8 }, (_, row) => ["start", "end"].map((anchor) => ({ row, anchor }))).flat();
		const fits = choices
			.map(({ row, anchor }) => {
				const left = anchor === "start" ? x - 6 : x + 6 - long;
				return { mark, text, x, left, right: left + long, row, anchor };
			})
			.find((c) => c.left >= 0 && c.right <= width && placed.every((p) => clear(c, p)));
		const anchor = x > width / 2 ? "end" : "start";
		placed.push(fits ?? { mark, text, x, left: 0, right: width, row: placed.length, anchor });
	}
	return placed;
}

/** @param {Label} a @param {Label} b */
function clear(a, b) {
	if (a.row === b.row) return a.right < b.left || b.right < a.left;
	const [high, low] = a.row > b.row ? [a, b] : [b, a];
	return high.x < low.left - 2 || high.x > low.right + 2;
}

/** @param {Mark} mark @param {string} text */
const lengthOf = (mark, text) => text.length * (mark.name === "moment" ? boldPx : charPx);

/** @param {Label} label */
const kindOf = (label) => (signs[label.mark.name] ? label.mark.name : "edge");

/** @param {Label} label @param {number} top */
const baseline = (label, top) => top - 8 - label.row * labelRow;

/** @param {Label} label @param {number} top @param {number} end */
function markLine(label, top, end) {
	const y1 = baseline(label, top) + 2;
	return svg("line", { x1: label.x, x2: label.x, y1, y2: end, class: `mark mark-${kindOf(label)}` });
}

/** @param {Label} label @param {number} top @param {number} width */
function markWords(label, top, width) {
	const y = baseline(label, top);
	const kind = kindOf(label);
	const long = lengthOf(label.mark, label.text);
	const textX = label.anchor === "start" ? Math.min(label.x + 11, width - long) : Math.max(label.x - 11, long);
	return [
		svg("path", { d: signs[kind], transform: `translate(${label.x} ${y - 5})`, class: `sign sign-${kind}` }),
		svg("text", { x: textX, y, "text-anchor": label.anchor, class: `words words-${kind}` }, label.text),
	];
}

/** The sign at the head of each mark, about the origin. @type {Record<string, string>} */
const signs = {
	gate: "M-4 -6v12M4 -6v12",
	edge: "M-6 -5h12l-6 10z",
	Go: "M-4 -6l9 6-9 6z",
	column: "M-7 5c4 0 5-4 5-11h4c0 7 1 11 5 11z",
	meeting: "M-8 2c5 3 6 0 8-2c2 2 3 5 8 2M0 -8v5",
	surface: "M-8 0c2.7-5 5.3-5 8 0s5.3 5 8 0",
	sound: "M-6 -2v4M-2 -6v12M2 -4v8M6 -1v2",
	moment: "M0 -8l2 6 6 2-6 2-2 6-2-6-6-2 6-2z",
};

/** @param {Preview} preview @param {Scale} scale @param {number} top @param {number} end */
function band(preview, scale, top, end) {
	const left = scale.x(preview.delay_low_ms);
	const wide = Math.max(1, scale.x(preview.delay_high_ms) - left);
	if (preview.delay_high_ms <= preview.delay_low_ms) return [];
	return [svg("rect", { x: left, y: top, width: wide, height: end - top, class: "band", fill: "url(#hatch)" })];
}

/** What the band is, with its probability. @param {Preview} p */
export const bandOf = (p) =>
	p.within === 0 ? "the throws accepted, fastest to slowest" : `the moment of ${Math.round(p.within * 10)} in 10 first shots`;

/** What the hatching means, at the drawing's foot: a piece of it, and words. @param {Preview} p @param {number} y */
function bandWords(p, y) {
	if (p.delay_high_ms <= p.delay_low_ms) return [];
	const meaning = p.within === 0 ? "throws accepted" : `${Math.round(p.within * 10)} in 10 first shots`;
	return [
		svg("rect", { x: pad, y: y - 9, width: 16, height: 10, class: "band", fill: "url(#hatch)" }),
		words(pad + 22, y, meaning),
	];
}

function hatch() {
	return svg(
		"defs",
		{},
		svg(
			"pattern",
			{ id: "hatch", width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
			svg("line", { x1: 0, x2: 0, y1: 0, y2: 7, class: "hatch" }),
		),
	);
}

/**
 * One cue: its words above, its bar to scale below.
 * @param {BarView} bar
 * @param {Scale} scale
 * @param {number} y
 * @param {number} width
 */
function drawLane(bar, scale, y, width) {
	const left = scale.x(bar.from_ms);
	const wide = Math.max(4, scale.x(bar.to_ms) - left);
	const flash = bar.light ? Math.max(flashPx, wide) : flashPx;
	const lit = bar.light ? `, lit ${lasts(bar)}` : "";
	const words = laneWords(bar, lit);
	const long = words.length * charPx;
	const x = Math.max(pad, Math.min(left + 5, width - pad - long));
	return [
		svg("line", { x1: pad, x2: width - pad, y1: y + 26, y2: y + 26, class: "lane" }),
		isFlash(bar)
			? svg("path", { d: `M${left} ${y + 33}v-16q2 13 ${flash} 16z`, class: "light" })
			: svg("rect", { x: left, y: y + 19, width: wide, height: 14, rx: 2, class: bar.opening ? "bar opening" : "bar" }),
		svg("text", { x, y: y + 13, class: "words" }, words),
	];
}

/** A gap is as long as it is, wherever it lies. @param {BarView} bar @param {string} lit */
function laneWords(bar, lit) {
	if (isFlash(bar)) return `${bar.name} ${ms(bar.from_ms)}${lit}`;
	return bar.name === "gap" ? `gap ${ms(bar.to_ms - bar.from_ms)}` : `${bar.name} ${ms(bar.from_ms)} to ${ms(bar.to_ms)}`;
}

/** How long a flash is lit. @param {BarView} bar */
const lasts = (bar) => `${Number((bar.to_ms - bar.from_ms).toPrecision(2))} ms`;

/**
 * A flash is lit when its contact closes and dark again long before that opens.
 * @param {BarView} bar
 */
const isFlash = (bar) => !bar.opening && /^flash/i.test(bar.name);

/** @param {Scale} scale @param {number} y @param {number} width @param {string} unit */
function axis(scale, y, width, unit) {
	const step = tickStep(scale.to - scale.from, Math.max(3, Math.floor(width / 80)));
	/** @type {SVGElement[]} */
	const parts = [svg("line", { x1: pad, x2: width - pad, y1: y, y2: y, class: "axis" })];
	for (let t = Math.ceil(scale.from / step) * step; t <= scale.to; t += step) {
		const at = Number(t.toPrecision(12));
		const x = scale.x(at);
		parts.push(svg("line", { x1: x, x2: x, y1: y, y2: y + 6, class: "axis" }));
		if (x > 16 && x < width - 16) {
			parts.push(words(x, y + 20, `${at}`.replace("-", "−"), "middle"));
		}
	}
	parts.push(words(width - pad, y + 36, unit, "end"));
	return parts;
}

/** A small label. @param {number} x @param {number} y @param {string} text @param {string} [anchor] */
const words = (x, y, text, anchor) => svg("text", { x, y, "text-anchor": anchor, class: "tick" }, text);

/**
 * A step of 1, 2 or 5 times a power of ten that gives about this many ticks.
 * @param {number} span
 * @param {number} about
 */
export function tickStep(span, about) {
	const rough = span / about;
	const power = 10 ** Math.floor(Math.log10(rough));
	const lead = rough / power;
	return (lead <= 1 ? 1 : lead <= 2 ? 2 : lead <= 5 ? 5 : 10) * power;
}

/**
 * The same in words, in the order of time: what a screen reader reads, and anyone who likes lists.
 * @param {Preview} preview
 */
export function timelineText(preview) {
	/** @type {{ at: number, words: string }[]} */
	const main = preview.marks.map((m) => ({ at: m.at_ms, words: `${m.name} at ${ms(m.at_ms)} ms` }));
	for (const b of preview.bars.filter((b) => !b.opening)) {
		const lit = `${b.name}: lit from ${ms(b.from_ms)} ms for ${lasts(b)}`;
		const contact = `${b.name}: its contact closes at ${ms(b.from_ms)} ms and opens at ${ms(b.to_ms)} ms`;
		const pulse = isFlash(b) ? contact : `${b.name} from ${ms(b.from_ms)} to ${ms(b.to_ms)} ms`;
		const gap = `gap between two openings: ${ms(b.to_ms - b.from_ms)} ms`;
		const words = b.light ? lit : b.name === "gap" ? gap : pulse;
		main.push({ at: b.from_ms, words });
	}
	main.sort((a, b) => a.at - b.at);
	const opening = preview.bars
		.filter((b) => b.opening)
		.map((b) => `${b.name} from ${ms(b.from_ms)} to ${ms(b.to_ms)} ms, counted from Go`);
	const wide = preview.delay_high_ms > preview.delay_low_ms;
	const spread = wide
		? [`${bandOf(preview)}: from ${ms(preview.delay_low_ms)} to ${ms(preview.delay_high_ms)} ms`]
		: [];
	return [...opening, ...main.map((m) => m.words), ...spread].map((words) => el("li", {}, words));
}

/**
 * How the gate interval sets the delay, as a curve from the shortest interval to the longest.
 * @param {Preview} preview
 * @param {number} width
 */
export function drawTable(preview, width) {
	const points = preview.table;
	if (points.length < 2) return null;
	const height = 150;
	const left = 46;
	const low = points[0];
	const high = points[points.length - 1];
	const delays = points.map((p) => p.delay_ms);
	const [least, most] = [Math.min(...delays), Math.max(...delays)];
	const x = (/** @type {number} */ v) =>
		left + ((v - low.interval_ms) / (high.interval_ms - low.interval_ms || 1)) * (width - left - pad);
	const y = (/** @type {number} */ v) => 14 + ((most - v) / (most - least || 1)) * (height - 54);
	const line = points.map((p) => `${x(p.interval_ms)},${y(p.delay_ms)}`).join(" ");
	const say =
		`Gate interval ${ms(low.interval_ms)} ms gives a delay of ${ms(low.delay_ms)} ms; ` +
		`${ms(high.interval_ms)} ms gives ${ms(high.delay_ms)} ms.`;
	return svg(
		"svg",
		{ viewBox: `0 0 ${width} ${height}`, width, height, class: "timeline", role: "img", "aria-label": say },
		svg("line", { x1: left, x2: width - pad, y1: height - 36, y2: height - 36, class: "axis" }),
		svg("polyline", { points: line, class: "curve" }),
		...points.map((p) => svg("circle", { cx: x(p.interval_ms), cy: y(p.delay_ms), r: 2, class: "dot" })),
		words(left - 6, y(most) + 4, ms(most), "end"),
		words(left - 6, y(least) + 4, ms(least), "end"),
		words(left, height - 20, ms(low.interval_ms)),
		words(width - pad, height - 20, ms(high.interval_ms), "end"),
		words(width / 2, height - 4, "gate interval, ms (delay upward)", "middle"),
	);
}
