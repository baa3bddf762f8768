// The connection to the machine: pairing, the websocket, its timeout, and reconnecting.

import { refusalText } from "./refusals.js";

/** @import { Command, Message, Refusal, Request } from "../protocol.d.ts" */

/** The machine sends something at least each second; a connection silent for longer than this is dropped. */
export const silenceMs = 2500;
const watchMs = 250;
const firstDelayMs = 250;
const maxDelayMs = 4000;

/** Another page of this phone replaced this one. If both reconnected at once, they would alternate for ever. */
const closeReplaced = 4001;
const replacedDelayMs = 60_000;

/** Ask whether this browser is paired, and how it is done. */
export async function paired() {
	try {
		const answer = await fetch("/paired", { cache: "no-store", signal: AbortSignal.timeout(4000) });
		const state = answer.ok ? "paired" : answer.status === 401 ? "unpaired" : "away";
		const place = answer.headers.get("Pairing-Place") ?? "";
		return { state, long: showsLong(answer), place, radio: answer.headers.has("Radio") };
	} catch {
		return { state: "away", long: false, place: "", radio: false };
	}
}

/** Whether the code that the machine shows now is the long one. @param {Response} answer */
const showsLong = (answer) => answer.headers.get("Pairing-Code") === "long";

/** Pair with the code that the machine shows. Returns why not, in words, or "". @param {string} code */
export async function pair(code) {
	let answer;
	try {
		answer = await fetch("/pair", {
			method: "POST",
			headers: { "Content-Type": "application/json" },
			body: JSON.stringify({ code }),
			signal: AbortSignal.timeout(8000),
		});
	} catch {
		return { why: "The machine does not answer. Is it running, and is this phone on its network?", long: null };
	}
	const long = showsLong(answer);
	if (answer.ok) return { why: "", long };
	try {
		return { why: refusalText(/** @type {Refusal} */ (await answer.json())), long };
	} catch {
		return { why: `The machine refused it (${answer.status}). Restart Stillwater if this persists.`, long: null };
	}
}

/** A websocket that reconnects. */
export class Link {
	/** @type {WebSocket | null} */ #socket = null;
	#heard = 0;
	#silent = 0;
	#watched = performance.now();
	#n = 0;
	#wait = firstDelayMs;
	#trying = false;
	/** @type {ReturnType<typeof setTimeout> | undefined} */ #timer;

	/**
	 * @param {object} to
	 * @param {(message: Message) => void} to.message
	 * @param {() => void} to.lost the connection dropped or timed out
	 * @param {() => void} to.unpaired the machine no longer knows this browser
	 */
	constructor(to) {
		this.to = to;
		setInterval(() => this.#watch(), watchMs);
		for (const sign of ["online", "pageshow", "focus"]) addEventListener(sign, () => this.#hurry());
		addEventListener("offline", () => this.#drop());
		document.addEventListener("visibilitychange", () => this.#hurry());
	}

	/** Whether what is sent now reaches the machine, as far as can be known. */
	get up() {
		return this.#socket?.readyState === WebSocket.OPEN && this.#heard > 0;
	}

	/** Connect now, unless that is under way. */
	async open() {
		clearTimeout(this.#timer);
		if (this.#socket || this.#trying) return;
		this.#trying = true;
		const { state } = await paired();
		this.#trying = false;
		if (state === "unpaired") return this.to.unpaired();
		if (state === "away") return this.#later();
		this.#connect();
	}

	/**
	 * Send a command. Returns its number, or 0 when the connection is down and nothing was sent.
	 * @param {Command} command
	 */
	send(command) {
		if (!this.up) return 0;
		this.#n++;
		/** @type {Request} */
		const request = { ...command, n: this.#n };
		this.#socket?.send(JSON.stringify(request));
		return this.#n;
	}

	#connect() {
		const scheme = location.protocol === "https:" ? "wss:" : "ws:";
		const socket = new WebSocket(`${scheme}//${location.host}/ws`);
		this.#socket = socket;
		this.#heard = 0;
		const opening = setTimeout(() => this.#socket === socket && this.#heard === 0 && this.#drop(), 5000);
		socket.onmessage = (e) => {
			if (this.#socket !== socket) return;
			this.#heard = performance.now();
			this.#silent = 0;
			this.#wait = firstDelayMs;
			this.to.message(/** @type {Message} */ (JSON.parse(e.data)));
		};
		socket.onclose = (e) => {
			clearTimeout(opening);
			if (e.code === closeReplaced) this.#wait = replacedDelayMs;
			if (this.#socket === socket) this.#drop();
		};
	}

	#drop() {
		const socket = this.#socket;
		this.#socket = null;
		this.#heard = 0;
		socket?.close();
		this.to.lost();
		this.#later();
	}

	#later() {
		clearTimeout(this.#timer);
		this.#timer = setTimeout(() => this.open(), this.#wait * (0.75 + Math.random() / 2));
		this.#wait = Math.min(maxDelayMs, this.#wait * 1.6);
	}

	#watch() {
		const now = performance.now();
		this.#silent += Math.min(now - this.#watched, 2 * watchMs); // for longer the page itself did not run
		this.#watched = now;
		if (this.#heard > 0 && this.#silent > silenceMs) this.#drop();
	}

	#hurry() {
		if (document.visibilityState !== "visible") return;
		if (this.#heard > 0 && performance.now() - this.#heard > silenceMs) this.#drop();
		if (this.#timer === undefined || this.#socket) return;
		this.#wait = firstDelayMs;
		this.open();
	}
}
