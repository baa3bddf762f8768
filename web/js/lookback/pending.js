// What was said of the frames and is not yet in what the machine shows of them.

/** @import { CameraView, Command, Refusal } from "../../protocol.d.ts" */
/** @import { Commands } from "../commands.js" */

/** @typedef {"reference" | "black" | "ruler" | "spot" | "accept" | "unaccept" | "match" | "unmatch"} Type of a command; the newest of each counts */

export class Pending {
	/** @type {Map<string, { command: Command, taken: boolean }>} */ #said = new Map();
	#waits = false;

	/**
	 * @param {number} session @param {Commands} commands
	 * @param {(taken: boolean) => void} changed taken: the machine has something new to show
	 */
	constructor(session, commands, changed) {
		this.session = session;
		this.commands = commands;
		this.changed = changed;
	}

	/** @param {Command & { type: Type }} command @param {HTMLElement} slot @param {(refusal: Refusal | null) => void} [settled] */
	send(command, slot, settled) {
		const one = { command, taken: false };
		const sent = this.commands.send(command, slot, (refusal) => {
			one.taken = !refusal;
			if (refusal && this.#said.get(command.type) === one) this.#said.delete(command.type);
			const width = this.#said.get("reference");
			if (!refusal && command.type === "ruler" && width) width.command = { ...width.command, value: "" };
			settled?.(refusal);
			this.changed(!refusal);
		});
		if (!sent) return;
		this.#said.set(command.type, one);
		this.changed(false);
	}

	/** What was said and is awaited. @param {Type} type */
	of(type) {
		return this.#said.get(type)?.command ?? null;
	}

	/** What has become of that, "" nothing is awaited. @param {Type[]} types */
	words(...types) {
		const all = types.map((type) => this.#said.get(type)).filter((one) => one !== undefined);
		if (all.length === 0) return "";
		if (!all.every((one) => one.taken)) return "sent";
		const done = types.includes("match") ? "matched" : "measured";
		return this.#waits ? `saved, ${done} when nothing is armed` : `saved, being ${done}`;
	}

	/** What was said last of which shot a frame is, and what has become of it; null nothing is awaited. */
	get pair() {
		const command = this.of("match") ?? this.of("unmatch");
		return command && { name: command.type === "match" ? command.name : "", words: this.words("match", "unmatch") };
	}

	/** The same in a word. @param {Type} type */
	word(type) {
		return this.words(type).split(",")[0];
	}

	/** What the frames are to be measured against. @param {CameraView} view @returns {Command & { type: "reference" }} */
	reference(view) {
		const value = this.of("ruler") || view.ruler || view.width === view.field_seen ? "" : view.width;
		const as = { name: view.empty, value, from_right: view.from_right, ...this.of("reference") };
		return { ...as, type: "reference", session: this.session };
	}

	/** A view came that was asked for after all that is taken. @param {CameraView} view */
	seen(view) {
		this.#waits = view.waits;
		for (const [type, one] of this.#said) {
			const waits = type === "match" || type === "unmatch" ? view.matching : view.busy !== "";
			if (one.taken && !waits) this.#said.delete(type);
		}
	}
}
