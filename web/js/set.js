// The fields of the set: names, labels, units and steps.

/** @import { Choice, Kind, Set } from "../protocol.d.ts" */

/**
 * @typedef {object} Quantity
 * @property {string} name the set's field, as in a command
 * @property {string} label
 * @property {string} unit as sent
 * @property {number} step
 * @property {string} [hint]
 */

/** @type {(name: string, label: string, unit: string, step: number, hint?: string) => Quantity} */
const q = (name, label, unit, step, hint) => ({ name, label, unit, step, hint });

/** @type {Record<Kind, Quantity[]>} */
export const measured = {
	drop: [
		q("drop.height", "Nozzle tip to water", "cm", 1),
		q("drop.beam", "Nozzle tip to beam", "cm", 0.5),
		q("drop.nozzle", "Nozzle, outer width", "mm", 0.1),
		q("drop.diameter", "Drop, if you measured it", "mm", 0.1, "0: worked out from the nozzle"),
		q("drop.pool_depth", "Depth of the pool", "cm", 0.5),
		q("drop.nth", "Which drop of a train", "", 1, "1 is the first through the beam"),
	],
	throw: [
		q("throw.gate", "First beam to second", "cm", 1, "along the path"),
		q("throw.to_focus", "Second beam to focus spot", "cm", 5, "level distance"),
		q("throw.angle", "Angle at the second beam", "deg", 1, "above level; below is negative"),
		q("throw.above_floor", "Second beam above floor", "cm", 5),
		q("throw.mass", "Size of the thrown liquid", "cm", 0.5, "width of a ball of the same volume"),
		q("throw.thickness", "Thickness of the sheet", "mm", 1, "0: as a ball"),
		q("throw.speed_low", "Slowest throw accepted", "m/s", 0.5),
		q("throw.speed_high", "Fastest throw accepted", "m/s", 0.5),
	],
	sound: [
		q("sound.distance", "Sound to microphone", "cm", 10),
		q("sound.temperature", "Air temperature", "C", 1),
		q("sound.after", "Moment after the sound", "ms", 1),
	],
};

/** @type {Quantity[]} */
export const light = [
	q("light.lag", "Camera's lag", "ms", 1, "from release to open"),
	q("light.lag_scatter", "Scatter of the lag", "ms", 0.5, "standard deviation"),
	q("light.open_for", "Shutter held open", "ms", 50),
	q("light.recycle", "Flash ready again after", "s", 0.5),
];

const trim = (/** @type {Kind} */ kind) => q(`trim.${kind}`, "Trim of the delay", "ms", 1);

/** What is added to the delay: each kind has its own. @type {Record<Kind, Quantity>} */
export const trims = { drop: trim("drop"), throw: trim("throw"), sound: trim("sound") };

/** @type {Choice[]} */
export const exposures = [
	{ value: "flash-in-dark", label: "Flash in the dark, shutter open" },
	{ value: "lag-led", label: "Lag-led: sync fires the flash" },
];

/** @type {Choice[]} */
export const shutters = [
	{ value: "edge", label: "The machine, after the edge" },
	{ value: "go", label: "The machine, when I press" },
	{ value: "hand", label: "I do, by hand" },
];

/** The fields that are chosen from a list, and their labels. @type {Record<string, string>} */
export const chosen = {
	"drop.liquid": "Liquid",
	"drop.phase": "Phase wanted",
	"light.expose": "Exposure",
	"light.shutter": "Who opens the shutter",
};

/** What flies past the camera. @type {Record<Kind, string>} */
export const kindWords = { drop: "Falling drop", throw: "Thrown sheet", sound: "A sound" };

/** A field's label. @param {string} field */
export function fieldText(field) {
	const quantity = [...Object.values(measured).flat(), ...light, ...Object.values(trims)].find((q) => q.name === field);
	return quantity?.label ?? chosen[field] ?? (field === "kind" ? "What flies" : field);
}

/** A field's value as it is chosen, or as it is printed. @param {string} field @param {string} value */
export function valueText(field, value) {
	if (field === "kind") return kindWords[/** @type {Kind} */ (value)] ?? value;
	return [...exposures, ...shutters].find((c) => c.value === value)?.label ?? value;
}

/** One change of the set, in words. @param {string} field @param {string} value */
export const changeText = (field, value) => `${fieldText(field)}: ${valueText(field, value)}`;

/** A set's field by its dotted name. @param {Set} set @param {string} name */
export function valueOf(set, name) {
	/** @type {any} */
	let at = set;
	for (const part of name.split(".")) at = at?.[part];
	return at === undefined || at === null ? "" : String(at);
}
