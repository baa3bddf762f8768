// Quantities as the machine prints them ("40 cm", "1/125 s") and as a field with a fixed unit shows them.

/** The units that the machine prints and fields have, and their factor to the base unit. @type {Record<string, [number, string]>} */
const units = {
	m: [1, "m"],
	cm: [1e-2, "m"],
	mm: [1e-3, "m"],
	µm: [1e-6, "m"],
	s: [1, "s"],
	ms: [1e-3, "s"],
	µs: [1e-6, "s"],
	ns: [1e-9, "s"],
	"m/s": [1, "m/s"],
	"cm/s": [1e-2, "m/s"],
	"mm/s": [1e-3, "m/s"],
	deg: [1, "deg"],
	"°": [1, "deg"],
	C: [1, "C"],
	"°C": [1, "C"],
};

const number = /^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?$/i;
const quantity = /^([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?)(?:\/(\d+\.?\d*))?\s*(\D\S*)?$/i;

/**
 * The number of a printed quantity in a unit, or null if it cannot be parsed. Unit "" is a bare number.
 * @param {string} printed
 * @param {string} unit
 */
export function inUnit(printed, unit) {
	const m = quantity.exec(printed.trim().replace("−", "-"));
	if (!m) return null;
	const value = Number(m[1]) / (m[2] ? Number(m[2]) : 1);
	if (unit === "") return m[3] ? null : value;
	const from = units[m[3] ?? ""];
	const to = units[unit];
	if (!from || !to || from[1] !== to[1]) return null;
	return tidy((value * from[0]) / to[0]);
}

/**
 * What to send for a typed text: a bare number gets the field's unit, anything else goes as it is, for the machine to
 * judge. A decimal comma is what many phones' number pads offer.
 * @param {string} typed
 * @param {string} unit
 */
export function withUnit(typed, unit) {
	const plain = typed
		.trim()
		.replace("−", "-")
		.replace(/^([+-]?\d*),(\d+)$/, "$1.$2");
	return number.test(plain) && unit !== "" ? `${plain} ${unit}` : plain;
}

/** Round off binary error: nine significant digits. @param {number} v */
export function tidy(v) {
	return Number(v.toPrecision(9));
}

/** Milliseconds for display: finer when small. @param {number} v */
export function ms(v) {
	const a = Math.abs(v);
	return fixed(v, a >= 1000 ? 0 : a >= 100 ? 1 : 2);
}

/** A fixed number of decimals with a true minus, and no "-0". @param {number} v @param {number} digits */
export function fixed(v, digits) {
	const s = v.toFixed(digits);
	return Number(s) === 0 ? s.replace("-", "") : s.replace("-", "−");
}

/** With its sign. @param {number} v @param {number} digits */
export function signed(v, digits) {
	const s = fixed(v, digits);
	return Number(s.replace("−", "-")) > 0 ? `+${s}` : s;
}
