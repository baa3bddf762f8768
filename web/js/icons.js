// Inline icons, so that no meaning depends on colour alone. All are decoration beside a word.

import { svg } from "./dom.js";

/** Paths in a 24 by 24 field, stroked; those after "fill:" are filled. @type {Record<string, string[]>} */
const paths = {
	early: ["M17 4v16", "M2 20h20", "fill:M3.5 12a3 3 0 1 0 6 0a3 3 0 1 0-6 0z"],
	good: ["M4 13l5 5 11-12"],
	late: ["M7 4v16", "M2 20h20", "fill:M14.5 12a3 3 0 1 0 6 0a3 3 0 1 0-6 0z"],
	nothing: ["M5 5l14 14M19 5L5 19"],
	drop: ["M12 3v4", "fill:M12 8c3 4 3.6 5 3.6 6.6a3.6 3.6 0 0 1-7.2 0C8.4 13 9 12 12 8z", "M3 21.5h18"],
	throw: ["M2 20c5 0 7-3 9-7s4-8 11-9", "M7 21c5 0 6-3 8-6s3-4 7-4", "M13 21c3 0 4-2 5-3s2-1 4-1"],
	sound: ["M4 10v4", "M8 7v10", "M12 3v18", "M16 8v8", "M20 10.5v3"],
	warn: ["M12 3L2.5 20h19z", "M12 9.5v5", "M12 17v.5"],
};

/** One icon. @param {string} name */
export const icon = (name) => drawIcon(paths[name], "0 0 24 24", "icon", {});

/** @param {string[]} lines @param {string} viewBox @param {string} kind @param {Record<string, string>} more */
function drawIcon(lines, viewBox, kind, more) {
	const path = (/** @type {string} */ d) =>
		d.startsWith("fill:") ? svg("path", { d: d.slice(5), class: "solid" }) : svg("path", { d });
	const attrs = { viewBox, class: kind, "aria-hidden": "true", focusable: "false", ...more };
	return svg("svg", attrs, ...(lines ?? []).map(path));
}

/** What stands over and on the water line in each state. @type {Record<string, string[]>} */
const scenes = {
	safe: ["M34 2v9M46 2v9M34 11h12", "M4 44h72", "M14 53h52", "M26 62h28"],
	armed: [
		"M34 2v7M46 2v7",
		"fill:M40 7c6 8 8 11 8 15a8 8 0 0 1-16 0c0-4 2-7 8-15z",
		"M22 30l-7 5M58 30l7 5",
		"M4 44h72",
		"M14 53h52",
		"M26 62h28",
	],
	firing: [
		"M4 48h16M60 48h16",
		"M20 48c0-10-2-16-6-22M60 48c0-10 2-16 6-22",
		"M30 46c-1-14-2-22-4-30M50 46c1-14 2-22 4-30",
		"M40 46V14",
		"M24 57h32",
	],
	resting: [
		"M34 2v9M46 2v9M34 11h12",
		"M4 44h24M52 44h24",
		"M28 44c4-6 8-6 12 0s8 6 12 0",
		"M12 53c8-5 14-5 28 0s20 5 28 0",
		"M24 62c6-3 10-3 16 0s10 3 16 0",
	],
	fault: ["M40 8L10 62h60z", "M40 26v18", "M40 51v3"],
	lost: ["M34 2v9M46 2v9M34 11h12", "M4 44h22M54 44h22", "M32 34l-6 18M54 34l-6 18", "M14 58h12M54 58h12"],
};

/** The state as a picture: a water line and what happens to it. @param {string} state */
export const scene = (state) => drawIcon(scenes[state] ?? scenes.armed, "0 0 80 68", "scene", { "data-scene": state });
