// What this phone does for somebody across the room: sounds, vibration, a count, a screen that stays on. All of it is kept
// in this browser and off at first.

import { attr, button, byId, el, text } from "./dom.js";
import { drawSignal } from "./drawings/signal.js";
import { secondTone, signals, signalsBetween } from "./signals.js";
import { Sounder } from "./sounder.js";
import { setDeviceItem, deviceItem } from "./store.js";
import { isLive } from "./words.js";

/** @import { Snapshot } from "../protocol.d.ts" */
/** @import { SignalName } from "./signals.js" */

/** @typedef {"off" | "beeped" | "spoken"} Count */

/** @type {Record<Count, string>} */
const counts = { off: "No count", beeped: "Beeped", spoken: "Spoken" };

export class ThisPhone {
	#sounder = new Sounder();
	#by = { sound: deviceItem("sound") === "on", vibrate: deviceItem("vibrate") === "on" };
	#count = /** @type {Count} */ (deviceItem("count") ?? "off");
	/** @type {Snapshot | null} */ #snap = null;
	/** @type {WakeLockSentinel | null} */ #awake = null;
	#asking = false;
	#second = 0;

	constructor() {
		byId("phone-switches").append(
			this.#switch("sound", "Sounds", this.#sounder.can.sound),
			this.#switch("vibrate", "Vibration", this.#sounder.can.vibrate),
		);
		byId("phone-count").append(
			...Object.entries(counts)
				.filter(([c]) => c !== "spoken" || this.#sounder.can.speak)
				.map(([c, word]) => button({ "data-count": c, onclick: () => this.#choose(/** @type {Count} */ (c)) }, word)),
		);
		byId("phone-signals").append(
			...Object.entries(signals).map(([name, s]) => {
				const tried = () => this.#try(/** @type {SignalName} */ (name));
				return el("li", {}, button({ "data-signal": name, onclick: tried }, drawSignal(s.tones), el("span", {}, s.word)));
			}),
		);
		// After a reload sound is allowed again with the first touch of anything.
		addEventListener("pointerdown", () => this.#by.sound && this.#sounder.unlock(), { capture: true });
		addEventListener("keydown", () => this.#by.sound && this.#sounder.unlock(), { capture: true });
		document.addEventListener("visibilitychange", () => this.#keepAwake());
		this.#showSettings();
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const { names, left } = signalsBetween(this.#snap, snap);
		this.#snap = snap;
		for (const name of names) this.#sounder.play(signals[name].tones, this.#by);
		if (left !== null && this.#count === "beeped") this.#sounder.beepCount(left, { ...this.#by, sound: true });
		if (left !== null && this.#count === "spoken") this.#sounder.speakCount(left);
		this.#keepAwake();
	}

	/** It is armed in so long: a tick each second. @param {number | null} arms ms, null: it is not being armed */
	tick(arms) {
		const second = arms === null ? 0 : Math.ceil(arms / 1000);
		if (second > 0 && second !== this.#second) this.#sounder.play([secondTone], this.#by);
		this.#second = second;
	}

	/** @param {"sound" | "vibrate"} what @param {string} word @param {boolean} can */
	#switch(what, word, can) {
		const turn = () => {
			this.#by[what] = !this.#by[what];
			setDeviceItem(what, this.#by[what] ? "on" : "off");
			if (this.#by.sound) this.#sounder.unlock();
			this.#showSettings();
			if (this.#by[what]) this.#sounder.play(signals.armed.tones, { sound: false, vibrate: false, [what]: true });
		};
		const label = can ? word : `${word}: this browser has none`;
		return button({ role: "switch", "data-switch": what, disabled: !can, onclick: turn }, label);
	}

	/** @param {Count} count */
	#choose(count) {
		this.#count = count;
		setDeviceItem("count", count);
		if (count !== "off") this.#sounder.unlock();
		if (count === "spoken") this.#sounder.speakCount(3);
		if (count === "beeped") this.#sounder.beepCount(3, { ...this.#by, sound: true });
		this.#showSettings();
	}

	/** A tap on a signal's picture plays it, whatever is switched on. @param {SignalName} name */
	#try(name) {
		this.#sounder.unlock();
		this.#sounder.play(signals[name].tones, { sound: true, vibrate: true });
	}

	#showSettings() {
		for (const what of /** @type {const} */ (["sound", "vibrate"])) {
			attr(byId("phone-switches").querySelector(`[data-switch=${what}]`) ?? byId("phone-switches"), "aria-checked",
				`${this.#by[what]}`);
		}
		for (const b of byId("phone-count").children) attr(b, "aria-pressed", `${b.getAttribute("data-count") === this.#count}`);
		this.#showAwake();
	}

	/** The screen stays on while something is armed, where the browser lets a page ask for that. */
	async #keepAwake() {
		const want = this.#snap !== null && isLive(this.#snap) && document.visibilityState === "visible";
		if (!want) {
			const held = this.#awake;
			this.#awake = null;
			await held?.release();
		} else if (navigator.wakeLock && (!this.#awake || this.#awake.released) && !this.#asking) {
			this.#asking = true;
			// Refused, by a phone that saves power for example: it is said on the page.
			this.#awake = await navigator.wakeLock.request("screen").catch(() => null);
			this.#asking = false;
		}
		this.#showAwake();
	}

	#showAwake() {
		const snap = this.#snap;
		const locked = `A phone that locks cannot disarm: after ${snap?.grace_s ?? 10} s what is armed is disarmed.`;
		const own = "Set its screen time-out to longer than a shot takes.";
		let words = "While armed this phone's screen stays on.";
		if (!navigator.wakeLock) {
			words = `This browser lets the screen go dark: it keeps it on only for pages loaded by HTTPS. ${own} ${locked}`;
		} else if (snap && isLive(snap) && !this.#awake && !this.#asking) {
			words = `The phone refused to keep its screen on, perhaps to save power. ${own} ${locked}`;
		}
		text(byId("phone-awake"), words);
	}
}
