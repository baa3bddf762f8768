// Plays signals on this phone: tones, vibration, a count that is beeped or spoken. Signals that come together are played
// one after the other.

import { countTone, gapMs, lasts, maxCount, vibration } from "./signals.js";

/** @import { Tone } from "./signals.js" */

/** Between two signals, in ms. */
const restMs = 180;
/** A signal that would begin later than this is left out: it would be taken for something that happens then. */
const maxWaitMs = 4000;
const volume = 0.5;
/** A tone that begins and ends at once clicks. */
const rampS = 0.008;

export class Sounder {
	/** @type {AudioContext | null} */ #audio = null;
	#free = 0; // when what was asked for has been played, ms of performance.now

	/** Whether this browser has sound, vibration and speech. */
	can = {
		sound: typeof AudioContext !== "undefined",
		vibrate: typeof navigator.vibrate === "function",
		speak: typeof speechSynthesis !== "undefined",
	};

	/** Called from a tap: browsers let a page sound only after one. */
	unlock() {
		if (!this.can.sound) return;
		this.#audio ??= new AudioContext();
		if (this.#audio.state === "suspended") this.#audio.resume().catch(() => {});
	}

	/** @param {Tone[]} tones @param {{ sound: boolean, vibrate: boolean }} by */
	play(tones, by) {
		const wait = this.#turn(lasts(tones));
		if (wait === null) return;
		if (by.sound) this.#tones(tones, wait);
		if (by.vibrate && this.can.vibrate) setTimeout(() => navigator.vibrate(vibration(tones)), wait);
	}

	/** Shots left, as beeps. @param {number} left @param {{ sound: boolean, vibrate: boolean }} by */
	beepCount(left, by) {
		if (left > 0 && left <= maxCount) this.play(Array(left).fill(countTone), by);
	}

	/** Shots left, spoken. @param {number} left */
	speakCount(left) {
		if (!this.can.speak) return;
		const words = new SpeechSynthesisUtterance(left === 0 ? "none left" : `${left} left`);
		words.lang = "en";
		const wait = this.#turn(1000);
		if (wait !== null) setTimeout(() => speechSynthesis.speak(words), wait);
	}

	/** When something that lasts so long begins, in ms from now; null: not at all. @param {number} ms */
	#turn(ms) {
		const now = performance.now();
		const begin = Math.max(now, this.#free);
		if (begin - now > maxWaitMs) return null;
		this.#free = begin + ms + restMs;
		return begin - now;
	}

	/** @param {Tone[]} tones @param {number} waitMs */
	#tones(tones, waitMs) {
		const audio = this.#audio;
		if (!audio || audio.state !== "running") return;
		let at = audio.currentTime + waitMs / 1000;
		for (const [hz, ms] of tones) {
			const end = at + ms / 1000;
			const tone = audio.createOscillator();
			const gain = audio.createGain();
			tone.frequency.value = hz;
			gain.gain.setValueAtTime(0, at);
			gain.gain.linearRampToValueAtTime(volume, at + rampS);
			gain.gain.setValueAtTime(volume, end - rampS);
			gain.gain.linearRampToValueAtTime(0, end);
			tone.connect(gain).connect(audio.destination);
			tone.start(at);
			tone.stop(end);
			at = end + gapMs / 1000;
		}
	}
}
