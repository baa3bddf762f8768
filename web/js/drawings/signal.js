// A signal drawn as it is heard and felt: time to the right, pitch upward.

import { gapMs, lasts } from "../signals.js";
import { svg } from "../dom.js";

/** @import { Tone } from "../signals.js" */

const width = 96;
const height = 32;
const thick = 6;
/** The longest signal fills the width. */
const longestMs = 1020;
/** The range of pitch drawn, in Hz: two octaves and a half, evenly by octave. */
const lowest = 260;
const highest = 1480;

/** @param {Tone[]} tones */
export function drawSignal(tones) {
	let at = 0;
	const bars = tones.map(([hz, ms]) => {
		const up = Math.log(hz / lowest) / Math.log(highest / lowest);
		const bar = svg("rect", {
			x: (width * at) / longestMs,
			y: (height - thick) * (1 - up),
			width: Math.max(4, (width * ms) / longestMs),
			height: thick,
			rx: thick / 2,
		});
		at += ms + gapMs;
		return bar;
	});
	return svg("svg", {
		viewBox: `0 0 ${width} ${height}`, class: "signal", "aria-hidden": "true", focusable: "false",
		"data-ms": lasts(tones),
	}, ...bars);
}
