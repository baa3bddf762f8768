// What the page says of the machine's state.

import { sentence } from "./refusals.js";
import { inUnit, ms, signed } from "./units.js";

/** @import { Snapshot } from "../protocol.d.ts" */

/** @type {Record<string, string>} */
const stateWords = {
	safe: "Safe",
	arming: "Arming",
	armed: "Armed",
	firing: "Firing",
	resting: "Resting",
	fault: "Fault",
};

/** The states in which something may fire by itself. */
const live = ["armed", "firing", "resting"];

/** Whether something may fire by itself. @param {Snapshot} snap */
export const isLive = (snap) => live.includes(snap.state);

/** Whether the page gives as little light as it can: it is armed, or about to be. @param {Snapshot} snap */
export const isDark = (snap) => isLive(snap) || snap.state === "arming";

/** @param {Snapshot} snap */
export const stateWord = (snap) => (snap.dry_run && snap.state === "armed" ? "Dry run" : (stateWords[snap.state] ?? snap.state));

/** @param {number} arms ms until it is armed */
export const countdownWords = (arms) => `Arms in ${Math.ceil(arms / 1000)} s. Disarm cancels it.`;

/** The reason without the state's word before it, which stands above it already. @param {Snapshot} snap */
export function reasonWords(snap) {
	if (snap.lag.running) return `The camera is released, ${snap.lag.released} of ${snap.lag.wanted}.`;
	const word = snap.dry_run ? "dry run, " : `${snap.state}: `;
	return sentence(snap.reason.startsWith(word) ? snap.reason.slice(word.length) : snap.reason);
}

/** @param {Snapshot} snap @param {number | null} left ms until arming ends, null: leave it out */
export function nextWords(snap, left) {
	if (snap.state === "safe" || snap.state === "fault") return "";
	const parts = [];
	const p = snap.preview;
	if (p) parts.push(p.table.length ? "the gate sets the delay" : `delay ${ms(p.delay_ms)} ms`);
	const trim = inUnit(snap.set.trim[snap.set.kind], "ms");
	if (trim) parts.push(`trim ${signed(trim, 1)} ms`);
	if (snap.armed_left > 0) parts.push(leftWords(snap.armed_left));
	if (snap.repeat?.next_at) parts.push(`Go again by itself, ${snap.repeat.left} to come`);
	if (left !== null) parts.push(`disarms in ${minutes(left)}`);
	const words = capital(parts.join(", "));
	return words === "" ? "" : `${words}.`;
}

/** @param {number} shots */
export const leftWords = (shots) => (shots === 1 ? "one shot left" : `${shots} shots left`);

/** Minutes and seconds. @param {number} left ms */
export function minutes(left) {
	const s = Math.ceil(left / 1000);
	return `${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`;
}

/** What the machine does that no longer answers. @param {Snapshot | null} snap @param {boolean} holding */
export function lostWords(snap, holding) {
	if (snap === null || snap.state === "safe" || snap.state === "fault") {
		return "Reconnecting: the machine does not answer. What is shown is its last known state; nothing can be sent.";
	}
	const end = holding ? ` It disarms ${snap.grace_s} s after the line dropped.` : "";
	return `It was armed and may still fire.${end} To stop it now use the switch at the machine.`;
}

/** A date as the machine writes it, too, in the phone's time. @param {string} at */
export function dateText(at) {
	const t = new Date(at);
	if (Number.isNaN(t.getTime())) return "no known date";
	return `${t.toLocaleDateString("en-GB", { dateStyle: "long" })}, ${t.toLocaleTimeString("en-GB", { timeStyle: "short" })}`;
}

/** @param {Snapshot} snap */
export function sessionWords(snap) {
	const shots = snap.shot_count === 1 ? "one shot" : `${snap.shot_count} shots`;
	const date = dateText(snap.session.started);
	const name = snap.session.name === "" ? `Session of ${date}` : `“${snap.session.name}”, since ${date}`;
	return `${name}: ${shots}. ${snap.session.dates}`;
}

/** @param {string} s */
export function capital(s) {
	return s === "" ? "" : s[0].toUpperCase() + s.slice(1);
}
