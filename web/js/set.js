// What the set is made of, as a person reads it: the fields by name, their labels, units and steps.

/** @import { Choice, Kind, Set } from "../protocol.d.ts" */

/**
 * @typedef {object} Quantity
 * @property {string} name the set's field, as in a command
 * @property {string} label
 * @property {string} unit as sent
 * @property {number} step
 * @property {string} [hint]
 */

/** @type {Record<Kind, Quantity[]>} */
export const measured = {
	drop: [
		{ name: "drop.height", label: "Nozzle tip to water", unit: "cm", step: 1 },
		{ name: "drop.beam", label: "Nozzle tip to beam", unit: "cm", step: 0.5 },
		{ name: "drop.nozzle", label: "Nozzle, outer width", unit: "mm", step: 0.1 },
		{
			name: "drop.diameter",
			label: "Drop, if you measured it",
			unit: "mm",
			step: 0.1,
			hint: "0: worked out from the nozzle",
		},
		{ name: "drop.pool_depth", label: "Depth of the pool", unit: "cm", step: 0.5 },
		{ name: "drop.nth", label: "Which drop of a train", unit: "", step: 1, hint: "1 is the first through the beam" },
	],
	throw: [
		{ name: "throw.gate", label: "First beam to second", unit: "cm", step: 1, hint: "along the path" },
		{ name: "throw.to_focus", label: "Second beam to focus spot", unit: "cm", step: 5, hint: "level distance" },
		{
			name: "throw.angle",
			label: "Angle at the second beam",
			unit: "deg",
			step: 1,
			hint: "above level; below is negative",
		},
		{ name: "throw.above_floor", label: "Second beam above floor", unit: "cm", step: 5 },
		{
			name: "throw.mass",
			label: "Width of the thrown mass",
			unit: "cm",
			step: 0.5,
			hint: "of a ball of the same liquid",
		},
		{ name: "throw.speed_low", label: "Slowest throw accepted", unit: "m/s", step: 0.5 },
		{ name: "throw.speed_high", label: "Fastest throw accepted", unit: "m/s", step: 0.5 },
	],
	sound: [
		{ name: "sound.distance", label: "Sound to microphone", unit: "cm", step: 10 },
		{ name: "sound.temperature", label: "Air temperature", unit: "C", step: 1 },
		{ name: "sound.after", label: "Moment after the sound", unit: "ms", step: 1 },
	],
};

/** @type {Quantity[]} */
export const light = [
	{ name: "light.lag", label: "Camera's lag", unit: "ms", step: 1, hint: "from release to open" },
	{ name: "light.lag_scatter", label: "Scatter of the lag", unit: "ms", step: 0.5, hint: "standard deviation" },
	{ name: "light.open_for", label: "Shutter held open", unit: "ms", step: 50 },
	{ name: "light.recycle", label: "Flash ready again after", unit: "s", step: 0.5 },
];

/** What is added to the delay: each kind has its own. @type {Record<Kind, Quantity>} */
export const trims = {
	drop: { name: "trim.drop", label: "Trim of the delay", unit: "ms", step: 1 },
	throw: { name: "trim.throw", label: "Trim of the delay", unit: "ms", step: 1 },
	sound: { name: "trim.sound", label: "Trim of the delay", unit: "ms", step: 1 },
};

/** @type {Choice[]} */
export const exposures = [
	{ value: "flash-in-dark", label: "Flash in the dark, shutter open before" },
	{ value: "lag-led", label: "Lag-led: camera early, its sync fires the flash" },
];

/** @type {Choice[]} */
export const shutters = [
	{ value: "edge", label: "The machine, after the edge" },
	{ value: "go", label: "The machine, at Go" },
	{ value: "hand", label: "I do, by hand" },
];

/** The fields that are chosen from a list, and their labels. @type {Record<string, string>} */
export const chosen = {
	"drop.liquid": "Liquid",
	"drop.phase": "Phase wanted",
	"light.expose": "Way to expose",
	"light.shutter": "Who opens the shutter",
};

/**
 * One change of the set, in words.
 * @param {string} field
 * @param {string} value
 */
export function tellChange(field, value) {
	const quantity = [...Object.values(measured).flat(), ...light, ...Object.values(trims)].find((q) => q.name === field);
	const choice = [...exposures, ...shutters].find((c) => c.value === value);
	return `${quantity?.label ?? chosen[field] ?? field}: ${choice?.label ?? value}`;
}

/**
 * A set's field by its dotted name.
 * @param {Set} set
 * @param {string} name
 * @returns {string}
 */
export function valueOf(set, name) {
	/** @type {any} */
	let at = set;
	for (const part of name.split(".")) at = at?.[part];
	return at === undefined || at === null ? "" : String(at);
}
