// A ring that empties as time runs out, with the time left in it.

import { svg } from "../dom.js";

const radius = 42;
const round = 2 * Math.PI * radius;

/** @param {number} share of the time that is left @param {string} words what it is */
export function drawRing(share, words) {
	const circle = (/** @type {string} */ kind, /** @type {string} */ dashes) =>
		svg("circle", { cx: 50, cy: 50, r: radius, class: kind, "stroke-dasharray": dashes, transform: "rotate(-90 50 50)" });
	const left = Math.max(0, Math.min(1, share)) * round;
	return svg(
		"svg",
		{ viewBox: "0 0 100 100", role: "img", "aria-label": words },
		circle("ring-all", "none"),
		circle("ring-left", `${left.toFixed(1)} ${round.toFixed(1)}`),
		svg("text", { x: 50, y: 59, "text-anchor": "middle" }, words),
	);
}
