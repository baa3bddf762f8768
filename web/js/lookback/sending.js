// Files that were chosen on this phone, on their way to the machine: one after the other, in parts, so that no file is
// in memory as a whole, and one that was cut off goes on where it was. While something is armed nothing is sent. A file
// whose copy is there is compared with it, and replaces it if they differ: one of them is damaged.

import { crc32 } from "./crc32.js";
import { sentence } from "../refusals.js";

/** @import { Refusal, ReceivedPart } from "../../protocol.d.ts" */

/** The machine takes as much at once; where the network is slow, parts are smaller. */
const mostBytes = 512 * 1024;
/** The first part has as much: it tells files of one name and size apart. */
const leastBytes = 16 * 1024;
const againMs = 2000;
const timeoutMs = 20_000;
/** A part that took no longer may be followed by one twice its size. */
const quickMs = 5000;

export class Sending {
	/** @type {File[]} */ #files = [];
	/** @type {AbortController | null} */ #running = null;
	#armed = false;
	#partBytes = mostBytes;
	/** @type {(() => void)[]} */ #resting = [];
	files = 0;
	done = 0;
	bytes = 0;
	sent = 0;
	/** Files that were there already. */ known = 0;
	/** Files that replaced a copy. */ replaced = 0;
	/** Files whose copies gave way to others, and that were not sent again. @type {File[]} */ gone = [];
	/** What is wrong with files, in sentences. @type {string[]} */ problems = [];
	/** Why nothing is sent at the moment, "" it is. */ waits = "";

	/** @param {number} session @param {() => void} changed */
	constructor(session, changed) {
		this.session = session;
		this.changed = changed;
	}

	get running() {
		return this.#running !== null;
	}

	/** @param {Iterable<File>} files */
	add(files) {
		if (!this.running) {
			this.files = this.done = this.bytes = this.sent = this.known = this.replaced = 0;
			this.problems = [];
			this.gone = [];
		}
		for (const file of files) {
			this.#files.push(file);
			this.files++;
			this.bytes += file.size;
		}
		if (!this.running && this.#files.length > 0) this.#run();
		this.changed();
	}

	/** What was sent stays there; what was not can be chosen again. */
	stop() {
		this.#files = [];
		this.#running?.abort();
		this.#running = null;
		this.#wake();
		this.changed();
	}

	/** @param {boolean} armed something is armed, or the machine is away */
	hold(armed) {
		this.#armed = armed;
		if (!armed) this.#wake();
	}

	#wake() {
		for (const wake of this.#resting.splice(0)) wake();
	}

	/** @param {string} why @param {number} [ms] how long, if nothing else ends it */
	async #rest(why, ms) {
		this.waits = why;
		this.changed();
		await new Promise((done) => {
			this.#resting.push(() => done(null));
			if (ms) setTimeout(done, ms);
		});
		this.waits = "";
	}

	async #run() {
		const running = new AbortController();
		this.#running = running;
		await this.#sendAll(running.signal, false);
		if (running.signal.aborted) return;
		if (this.gone.length > 0 && this.gone.length === this.files) { // nothing else was chosen: they are wanted back
			this.#files = this.gone;
			this.done = this.sent = this.known = 0;
			this.gone = [];
			await this.#sendAll(running.signal, true);
		}
		if (this.#running === running) this.#running = null;
		this.changed();
	}

	/** All that were chosen, one after the other. @param {AbortSignal} signal @param {boolean} again also those whose copies gave way */
	async #sendAll(signal, again) {
		for (let file = this.#files.shift(); file && !signal.aborted; file = this.#files.shift()) {
			const before = this.sent;
			const problem = await this.#send(file, signal, again);
			if (signal.aborted) return;
			if (problem !== "") this.problems.push(problem);
			this.sent = before + file.size;
			this.done++;
			this.changed();
		}
	}

	/**
	 * One file; what is wrong with it, "" nothing.
	 * @param {File} file @param {AbortSignal} signal @param {boolean} again even if its copy gave way to others
	 */
	async #send(file, signal, again) {
		const before = this.sent;
		let at = 0;
		let key = "";
		let check = "";
		for (let asked = false; !signal.aborted; ) {
			while (this.#armed && !signal.aborted) await this.#rest("Something is armed: the files wait.");
			/** @type {ArrayBuffer} */
			let part;
			try {
				part = await file.slice(at, at + (key === "" ? leastBytes : asked ? this.#partBytes : 0)).arrayBuffer();
			} catch {
				return gone(file);
			}
			const answer = await this.#put(file, key, at, part, check, again, signal);
			if (signal.aborted) return "";
			if (typeof answer === "string") {
				asked = false; // some of the part may have come
				await this.#rest(answer, againMs);
			} else if (answer.waits) await this.#rest("Something is armed: the files wait.", againMs);
			else if (answer.refusal) return refused(answer.refusal);
			else if (key === "" && answer.key === "" && check === "") {
				try {
					check = await crc32(file, signal);
				} catch {
					return gone(file);
				}
			} else {
				if (answer.gone) this.gone.push(file);
				else if (key === "" && answer.key === "") this.known++;
				else if (key === "" && check !== "") this.replaced++;
				asked = true;
				key = answer.key;
				at = answer.have;
				this.sent = before + at;
				this.changed();
				if (at >= file.size) return "";
			}
		}
		return "";
	}

	/**
	 * The machine's answer, or why there is none yet.
	 * @param {File} file @param {string} key of its first part, "" for that @param {number} at @param {ArrayBuffer} part
	 * @param {string} check of all of it, "" as long as it is not needed @param {boolean} again @param {AbortSignal} signal
	 * @returns {Promise<ReceivedPart | string>}
	 */
	async #put(file, key, at, part, check, again, signal) {
		const query = new URLSearchParams({ name: file.name, size: `${file.size}`, modified: `${Math.max(0, Math.round(file.lastModified))}`, at: `${at}`, key, check, ...(again && { again: "" }) });
		const headers = { "Content-Type": "application/octet-stream" };
		const began = performance.now();
		try {
			const over = AbortSignal.any([signal, AbortSignal.timeout(timeoutMs)]);
			const answer = await fetch(`/camera/${this.session}/file?${query}`, { method: "PUT", body: part, headers, signal: over });
			if (answer.ok) {
				const quick = part.byteLength >= this.#partBytes && performance.now() - began < quickMs;
				if (quick) this.#partBytes = Math.min(2 * this.#partBytes, mostBytes);
				return await answer.json();
			}
			if (answer.status === 408) return this.#slow();
			const refusal = /** @type {Refusal} */ (await answer.json().catch(() => ({ field: "", why: answer.status === 429 ? "The machine is busy." : `The machine refused it (${answer.status}).`, remedy: "" })));
			if (answer.status === 429) return `${sentence(refusal.why)} Sending continues in a moment.`;
			return answer.status < 500 ? { have: 0, key: "", gone: false, waits: false, refusal: { ...refusal, why: `${file.name}: ${refusal.why}` } } : refused(refusal);
		} catch {
			if (performance.now() - began < timeoutMs) return "The machine does not answer: it goes on when it is back.";
			return this.#slow();
		}
	}

	/** The next parts are smaller. */
	#slow() {
		this.#partBytes = Math.max(this.#partBytes / 2, leastBytes);
		return "The network is slow: continuing in smaller parts.";
	}
}

/** @param {File} file */
const gone = (file) => `${file.name} cannot be read on this phone any more. Choose it again.`;

/** @param {Refusal} r */
const refused = (r) => `${sentence(r.why)} ${sentence(r.remedy)}`.trim();
