// Sensors and the camera's lag as pictures. Each stands beside its words.

import { svg } from "../dom.js";
import { drawIcon } from "../icons.js";
import { ms } from "../units.js";

/** @import { Lag } from "../../protocol.d.ts" */

const posts = ["M4 8h10v32H4z", "M82 8h10v32H82z"];
const terminals = ["M4 34h20", "M66 34h26", "fill:M20 34a5 5 0 1 0 10 0a5 5 0 1 0-10 0z", "fill:M60 34a5 5 0 1 0 10 0a5 5 0 1 0-10 0z"];
const capsule = ["M41 10a7 7 0 0 1 14 0v11a7 7 0 0 1-14 0z", "M34 20c0 18 28 18 28 0", "M48 33v10M40 43h16"];

/** What each kind of sensor looks like: at rest, and active. @type {Record<string, [string[], string[]]>} */
const pictures = {
	beam: [
		[...posts, "M14 24h68"],
		[...posts, "M14 24h20", "fill:M38 46V20a8 8 0 0 1 16 0v26z"],
	],
	microphone: [capsule, [...capsule, "M26 8c-5 8-5 16 0 24M16 4c-8 11-8 21 0 32", "M70 8c5 8 5 16 0 24M80 4c8 11 8 21 0 32"]],
	contact: [
		[...terminals, "M26 30L58 10"],
		[...terminals, "M26 33h40"],
	],
	button: [
		["M20 40h56", "M30 40v-8h36v8", "M40 32V16h16v16", "M34 16h28"],
		["M20 40h56", "M30 40v-8h36v8", "M40 32v-4h16v4", "M34 28h28", "M48 2v18M42 14l6 7 6-7"],
	],
};

/** @type {Record<string, string>} */
const kinds = { gate: "beam", beam: "beam", microphone: "microphone", sync: "contact", kill: "button", button: "button" };

/** @param {string} role @param {boolean} active */
export const sensorPicture = (role, active) =>
	drawIcon(pictures[kinds[role] ?? "contact"][active ? 1 : 0], "0 0 96 48", "sensor-picture", {});

const width = 320;
const height = 96;
const foot = 20;

/** The measured lags as a histogram: a bar for each bin, as high as it has releases. @param {Lag} lag */
export function histogram(lag) {
	const most = Math.max(1, ...lag.bins.map((b) => b.count));
	const each = width / Math.max(1, lag.bins.length);
	const up = (/** @type {number} */ n) => ((height - 18) * n) / most;
	const bars = lag.bins.flatMap((b, i) => [
		svg("rect", { class: "bin", x: i * each + 1, y: height - up(b.count), width: Math.max(1, each - 2), height: up(b.count) }),
		b.count > 0 && svg("text", { class: "count-of-bin", x: (i + 0.5) * each, y: height - up(b.count) - 4, "text-anchor": "middle" }, `${b.count}`),
	]);
	const ends = lag.bins.length === 0 ? [] : [lag.bins[0].from_ms, lag.bins[lag.bins.length - 1].to_ms];
	return svg("svg", { viewBox: `0 0 ${width} ${height + foot}`, class: "histogram", role: "img", "aria-label": histogramWords(lag) },
		svg("line", { x1: 0, x2: width, y1: height, y2: height }),
		...bars,
		...ends.map((at, i) =>
			svg("text", { class: "tick", x: i * width, y: height + 15, "text-anchor": i ? "end" : "start" }, `${ms(at)} ms`),
		),
	);
}

/** @param {Lag} lag */
function histogramWords(lag) {
	const bins = lag.bins.filter((b) => b.count > 0).map((b) => `${b.count} from ${ms(b.from_ms)} to ${ms(b.to_ms)} ms`);
	return `Histogram of the lag: ${bins.join(", ")}.`;
}
