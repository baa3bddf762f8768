// Questions to the record. A newer question ends the one before it.

/** @import { Refusal } from "../../protocol.d.ts" */

/** Reading 5000 shots takes a small board a second; beyond this it is not coming. */
const timeoutMs = 10_000;

/** Why there is no answer, in words for the page. */
export class NoAnswer extends Error {
	/** @param {Refusal} refusal @param {boolean} away the machine itself does not answer */
	constructor(refusal, away) {
		super(refusal.why);
		this.refusal = refusal;
		this.away = away;
	}
}

/** Not connected, which is said where the state is. */
const lost = () => document.documentElement.dataset.state === "lost";

const away = () =>
	new NoAnswer({ field: "", why: lost() ? "Not loaded yet." : "The machine does not answer.", remedy: lost() ? "" : "It is loaded when the machine is back." }, true);

/** What is there stays, and need not be said to be old: the connection is gone. @param {NoAnswer} error */
export const isLost = (error) => error.away && lost();

/** One place that asks; only its newest question counts. */
export class Question {
	/** @type {AbortController | null} */ #running = null;

	/** Whether an answer is awaited. */
	get open() {
		return this.#running !== null;
	}

	/**
	 * Ask for a path. The answer is null when another question came meanwhile or this one was dropped.
	 * @template T
	 * @param {string} path
	 * @returns {Promise<T | null>}
	 */
	async ask(path) {
		this.drop();
		const controller = new AbortController();
		this.#running = controller;
		const timer = setTimeout(() => controller.abort(), timeoutMs);
		try {
			const answer = await read(path, controller.signal);
			return this.#running === controller ? /** @type {T} */ (answer) : null;
		} catch (error) {
			if (this.#running !== controller) return null;
			throw error instanceof NoAnswer ? error : away();
		} finally {
			clearTimeout(timer);
			if (this.#running === controller) this.#running = null;
		}
	}

	/** Nobody waits for it any more. */
	drop() {
		const controller = this.#running;
		this.#running = null;
		controller?.abort();
	}
}

/** @param {string} path @param {AbortSignal} signal */
async function read(path, signal) {
	const answer = await fetch(path, { cache: "no-store", signal });
	if (answer.ok) return answer.json();
	/** @type {Refusal} */
	let refusal = { field: "", why: `The machine gave no answer (${answer.status}).`, remedy: "Try again." };
	try {
		refusal = await answer.json();
	} catch {
		// what stands above is all that is known
	}
	throw new NoAnswer(refusal, false);
}

/** A path with what is asked. @param {string} path @param {Record<string, string | number>} what */
export function question(path, what) {
	const query = new URLSearchParams();
	for (const [name, value] of Object.entries(what)) if (value !== "" && value !== 0) query.set(name, String(value));
	const text = query.toString();
	return text === "" ? path : `${path}?${text}`;
}
