// The header: the state as a picture, a word and a reason, and what a screen reader announces of it.

import { attr, byId, text } from "./dom.js";
import { scene } from "./drawings/scenes.js";
import { sentence } from "./refusals.js";
import { voice } from "./voice.js";
import { capital, countdownWords, isDark, isLive, lostWords, nextWords, reasonWords, stateWord } from "./words.js";

/** @import { Snapshot } from "../protocol.d.ts" */

export class StateHeader {
	#announced = "";
	/** What else must be said now, "" nothing. */
	notice = "";

	/**
	 * @param {Snapshot | null} snap the newest, null: none yet
	 * @param {boolean} online whether it is the machine's state now
	 * @param {boolean} holding whether this phone holds the controls
	 */
	show(snap, online, holding) {
		const known = online ? snap : null;
		const root = document.documentElement;
		const state = known?.state ?? "lost";
		root.dataset.state = state;
		// What was armed when the line dropped may still be: the page stays as dark.
		attr(root, "data-live", snap !== null && isDark(snap));
		const place = byId("state-scene");
		const kind = snap?.set.kind ?? "drop";
		const shown = `${state} ${kind}`;
		if (place.dataset.scene !== shown) {
			place.dataset.scene = shown;
			place.replaceChildren(scene(state, kind));
		}
		text(byId("state-word"), known ? stateWord(known) : "Not connected");
		text(byId("state-reason"), known ? reasonWords(known) : lostWords(snap, holding));
		if (!known) text(byId("state-next"), "");
		document.title = `${byId("state-word").textContent} · Stillwater`;
		this.#showNotice(known, holding);
		this.#announce(known, state);
	}

	/**
	 * The line about what happens next; not read aloud as it counts down.
	 * @param {Snapshot} snap
	 * @param {number | null} left ms until arming ends
	 * @param {number | null} arms ms until it is armed
	 */
	tick(snap, left, arms) {
		text(byId("state-next"), arms !== null && arms > 0 ? countdownWords(arms) : nextWords(snap, left));
	}

	/** @param {Snapshot | null} snap @param {string} state */
	#announce(snap, state) {
		const key = snap ? `${state} ${snap.armed_left} ${snap.reason}` : "lost";
		// On the way to armed or safe the old state has the new reason: only the state that follows is announced.
		const between = snap && (state === "arming" || (state !== "safe" && snap.reason.includes("disarmed")));
		if (key === this.#announced || between) return;
		this.#announced = key;
		const words = `${byId("state-word").textContent}. ${byId("state-reason").textContent}`;
		if (state === "lost" || state === "fault") voice.alarm(words);
		else {
			voice.alarm(""); // what was wrong is over, and is not to be found there any more
			voice.say(`${words} ${snap ? nextWords(snap, null) : ""}`);
		}
	}

	/** Rejected edges, and a record that cannot be kept. @param {Snapshot | null} snap @param {boolean} holding */
	#showNotice(snap, holding) {
		const words = [];
		if (snap?.notice) words.push(sentence(snap.notice));
		if (snap?.away && isLive(snap) && !holding) {
			words.push(`${capital(snap.holder)} is locked or gone: this disarms ${snap.grace_s} s after that.`);
		}
		if (holding && snap?.asking[0]) words.push(`${capital(snap.asking[0])} asks for the controls: see Set up.`);
		if (snap?.record.problem) words.push(sentence(`the record cannot be written: ${snap.record.problem}`));
		if (snap && snap.record.waiting > (snap.record.problem ? 0 : 1))
			words.push(`Shots not yet in the record: ${snap.record.waiting}.`);
		if (snap?.camera.problem && !isLive(snap)) words.push("Camera files are missing: see Look back.");
		this.notice = words.join(" ");
		const place = byId("state-notice");
		place.hidden = this.notice === "";
		text(place, this.notice);
	}
}
