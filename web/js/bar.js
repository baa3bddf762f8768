// The bar under the thumb: the number of shots, press and hold to arm, tap to disarm, Go, and the simulated drop.

import { attr, byId, text } from "./dom.js";
import { pressAndHold, whyWords } from "./hold.js";
import { dropStrayClicks } from "./press.js";
import { leadButton } from "./refusals.js";
import { fieldText, named } from "./set.js";
import { setTabItem, tabItem } from "./store.js";
import { voice } from "./voice.js";

/** @import { Kind, Snapshot } from "../protocol.d.ts" */
/** @import { Arming } from "./arming.js" */
/** @import { Commands } from "./commands.js" */

/** What the simulated room is asked for, by kind: to do, while it is done, and done. @type {Record<Kind, string[]>} */
const simulations = {
	drop: ["Let it fall", "Falling", "A drop fell"],
	throw: ["Throw it", "Flying", "A sheet was thrown"],
	sound: ["Clap", "Sounding", "There was a clap"],
	drops: ["Let them fall", "Falling", "Drops fell"],
};

const maxShots = 999;

export class Bar {
	/** @type {Snapshot | null} */ #snap = null;
	#holding = false;
	#online = false;
	#asking = false;
	#lastDisarm = -Infinity;
	/** @type {ReturnType<typeof setTimeout> | undefined} */ #hintTimer;

	/**
	 * @param {Commands} commands
	 * @param {Arming} arming how it is armed
	 * @param {(what: "care" | "set") => void} lead shows what keeps it from being armed
	 */
	constructor(commands, arming, lead) {
		this.commands = commands;
		this.arming = arming;
		this.lead = lead;
		this.slot = byId("bar-refusal");
		this.arm = /** @type {HTMLButtonElement} */ (byId("arm"));
		this.count = /** @type {HTMLInputElement} */ (byId("count-input"));
		this.disarm = byId("disarm");
		pressAndHold(this.arm, {
			ready: () => this.#ready(),
			progress: (share) => {
				byId("arm-fill").style.transform = `scaleX(${share})`;
				this.arm.classList.toggle("pressed", share > 0);
				this.showWord(share > 0);
			},
			act: () => this.#armNow(),
			hint: (why) => this.#hint(why === "short" ? "Hold it for most of a second: a tap does not arm." : whyWords[why]),
		});
		this.disarm.addEventListener("pointerdown", () => this.#disarmNow());
		this.disarm.addEventListener("click", () => this.#disarmNow());
		dropStrayClicks();
		addEventListener("keydown", (e) => {
			if (e.key === "Escape" && this.#armed) this.#disarmNow();
		});
		byId("go").addEventListener("click", () => commands.send({ type: "go" }, this.slot));
		byId("room").addEventListener("click", () => commands.send({ type: "room" }, this.slot));
		this.count.value = tabItem("shots") ?? "1";
		this.count.addEventListener("input", () => this.#keepCount());
		this.#keepCount();
		this.showWord();
		byId("count-less").addEventListener("click", () => this.#setCount(Number(this.count.value) - 1));
		byId("count-more").addEventListener("click", () => this.#setCount(Number(this.count.value) + 1));
	}

	/** What a hold does. @param {boolean} [held] */
	showWord(held = false) {
		text(byId("arm-word"), held ? "Keep holding" : this.arming.word);
	}

	/** Anything but safe, or asked to arm: a fault too is cleared by disarming. */
	get #armed() {
		return this.#asking || (this.#snap !== null && this.#snap.state !== "safe");
	}

	/** @param {Snapshot} snap @param {boolean} holding */
	show(snap, holding) {
		const was = this.arm.hidden;
		const before = this.#snap && ready(this.#snap);
		const busy = this.#snap?.state === "safe" && this.#snap.room?.busy;
		this.#snap = snap;
		this.#holding = holding;
		const armed = this.#armed;
		if (was !== armed || before !== ready(snap)) {
			clearTimeout(this.#hintTimer);
			this.#hintTimer = undefined;
		}
		if (was !== armed) this.#passFocus(armed);
		this.arm.hidden = armed;
		byId("count").hidden = armed;
		this.disarm.hidden = !armed;
		text(this.disarm, snap.state === "fault" && snap.board.connected ? "Disarm and clear the fault" : "Disarm");
		this.#showGo(snap);
		const room = byId("room");
		room.hidden = snap.room === null || snap.set.kind === "drops"; // the valve lets those go
		const [let_, now, done] = simulations[snap.set.kind];
		text(room, snap.room?.busy ? `${now} …` : let_);
		attr(room, "aria-label", snap.room?.busy ? now : `${let_}, in the simulated room`);
		if (busy && snap.state === "safe" && !snap.room?.busy) this.#hint(`${done}. Nothing was armed, so nothing fired.`);
		this.#plainHint();
	}

	/** Go keeps its place after it was pressed, so that disarm does not move there. @param {Snapshot} snap */
	#showGo(snap) {
		const go = byId("go");
		const drips = snap.set.kind === "drops";
		const opens = snap.preview?.bars.some((b) => b.opening) ?? snap.set.light.shutter === "go";
		const dry = snap.dry_run && !snap.needs_go; // it opens nothing
		go.hidden = !this.#armed || snap.state === "fault" || dry || !(opens || drips || snap.needs_go);
		let [todo, done] = opens ? ["Open the shutter", "Shutter opened"] : ["Start the delay", "Delay started"];
		if (drips) [todo, done] = ["Go: let the drops fall", "Drops let go"];
		text(go, snap.needs_go || snap.state === "arming" ? todo : done);
	}

	/**
	 * A keyboard's focus goes from arm to disarm and back. Not before the key is up: the key that armed must not disarm.
	 * @param {boolean} armed
	 */
	#passFocus(armed) {
		if (!armed && document.activeElement === this.disarm) queueMicrotask(() => this.arm.focus());
		const pass = () => {
			if (this.#armed) this.disarm.focus();
		};
		if (armed && document.activeElement === this.arm && this.arm.matches(":focus-visible")) {
			addEventListener("keyup", pass, { once: true });
		}
	}

	/** @param {boolean} online @param {boolean} holding */
	enable(online, holding) {
		this.#online = online;
		const snap = this.#snap;
		const able = online && holding;
		this.arm.disabled = !able;
		attr(this.arm, "aria-disabled", able && snap && !ready(snap) ? "true" : null);
		attr(this.disarm, "disabled", !online);
		for (const id of ["count-less", "count-more", "count-input"]) attr(byId(id), "disabled", !able);
		attr(byId("go"), "disabled", !able || !snap?.needs_go);
		attr(byId("room"), "disabled", !able || snap?.room?.busy);
		this.#plainHint();
	}

	/** Nothing is requested any more. */
	idle() {
		this.#asking = false;
		if (this.#snap) this.show(this.#snap, this.#holding);
	}

	#ready() {
		if (this.#snap && !this.#snap.care_done) {
			this.#hint("First tick every point of the checklist.");
			this.lead("care");
			return false;
		}
		if (this.#snap && !this.#snap.preview) {
			this.#hint(`The set cannot work as it is: ${wrongWords(this.#snap)} first.`);
			this.lead("set");
			return false;
		}
		return true;
	}

	#armNow() {
		const shots = Number(this.count.value.trim());
		if (!Number.isInteger(shots) || shots < 1 || shots > maxShots) {
			this.#hint(`The number of shots must be a whole number from 1 to ${maxShots}.`);
			this.count.focus();
			return;
		}
		this.#asking = this.commands.send({ type: "arm", shots, ...this.arming.fields }, this.slot, () => this.idle());
		if (this.#snap) this.show(this.#snap, this.#holding);
	}

	/** A finger going down is enough; the click that follows is the same request. */
	#disarmNow() {
		const now = performance.now();
		if (now - this.#lastDisarm < 700) return;
		this.#lastDisarm = now;
		this.commands.send({ type: "disarm" }, this.slot);
	}

	/** @param {number} n */
	#setCount(n) {
		this.count.value = String(Math.max(1, Math.min(maxShots, Number.isFinite(n) ? Math.round(n) : 1)));
		this.#keepCount();
	}

	/** A reload keeps the number. It is this phone's alone until it arms. */
	#keepCount() {
		setTabItem("shots", this.count.value);
		text(byId("count-word"), this.count.value.trim() === "1" ? "shot" : "shots");
	}

	/** Say something for a few seconds. @param {string} words */
	#hint(words) {
		clearTimeout(this.#hintTimer);
		this.#write(words);
		voice.say(words);
		this.#hintTimer = setTimeout(() => {
			this.#hintTimer = undefined;
			this.#plainHint();
		}, 6000);
	}

	/** The bar's text when nothing was just pressed: why arming is not possible, if it is not. */
	#plainHint() {
		const snap = this.#snap;
		if (this.#hintTimer !== undefined || !snap) return;
		let words = "";
		if (!this.#online) words = ""; // the state says it
		else if (!snap.board.connected) words = "The board is not connected. It comes back disarmed.";
		else if (snap.state === "fault" && snap.inputs.some((i) => i.role === "kill" && i.active)) {
			words = "First release the kill switch.";
		} else if (this.#armed) words = this.#holding ? "" : "This phone is watching. It can disarm.";
		else if (!this.#holding) {
			words =
				snap.holder === ""
					? "Nobody holds the controls. To arm, take them in Set up."
					: "This phone is watching. To arm, ask for the controls in Set up.";
		} else if (!snap.care_done) words = "To arm, first tick every point of the checklist.";
		else if (!snap.preview) words = `To arm, ${wrongWords(snap)} first.`;
		const field = this.#holding && snap.care_done && !this.#armed && !snap.preview ? snap.refusal?.field : "";
		this.#write(words, this.#online && field && named(field) ? field : "");
	}

	/** @param {string} words "": no line at all @param {string} [field] where a tap on them leads */
	#write(words, field = "") {
		const hint = byId("bar-hint");
		hint.hidden = words === "";
		if (field === "") text(hint, words);
		else if (hint.querySelector("button")?.textContent !== words) hint.replaceChildren(leadButton(field, words));
	}
}

/** What is to be corrected. @param {Snapshot} snap */
function wrongWords(snap) {
	const field = snap.refusal?.field ?? "";
	return named(field) ? `correct “${fieldText(field)}”` : "correct the set";
}

/** Whether it can be armed. @param {Snapshot} snap */
const ready = (snap) => snap.care_done && snap.preview !== null;
