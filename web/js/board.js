// The board in words, and a test of each output by itself.

import { attr, button, byId, el, keyed, text } from "./dom.js";
import { pressAndHold, whyWords } from "./hold.js";
import { sentence } from "./refusals.js";
import { capital } from "./words.js";

/** @import { Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

export class Board {
	/** @param {Commands} commands */
	constructor(commands) {
		this.commands = commands;
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const b = snap.board;
		const kind = b.kind === "simulated" ? "nothing real fires" : "a real board";
		const link = b.connected ? `connected, times to ${b.tick_us} µs` : "not connected";
		const why = b.connected ? "" : sentence(b.problem);
		text(byId("board-words"), `${capital(b.name)}: ${kind}. ${sentence(link)} ${why}`);
		this.#showOutputs(snap);
	}

	/** @param {Snapshot} snap */
	#showOutputs(snap) {
		const list = byId("outputs");
		list.hidden = snap.board.outputs.length === 0;
		keyed(
			list,
			snap.board.outputs,
			(o) => o.name,
			({ name, prime_ms }) => this.#output(name, prime_ms > 0),
			(node, o) => {
				text(node.querySelector(".test"), `Hold to test ${o.name}, ${o.test_ms} ms`);
				const prime = node.querySelector(".prime");
				if (prime) text(prime, `Hold to prime ${o.name}: it runs for ${o.prime_ms} ms`);
				if (o.tested) text(node.lastChild, sentence(o.tested));
			},
		);
	}

	/** @param {string} name @param {boolean} valve */
	#output(name, valve) {
		const note = el("p", { class: "hint" });
		/** @param {"pulse" | "prime"} type @param {string} mark */
		const act = (type, mark) => {
			const press = button({ class: mark });
			pressAndHold(press, {
				ready: () => true,
				progress: (share) => attr(press, "aria-pressed", share > 0 && "true"),
				act: () => this.commands.send({ type, output: name }, byId("outputs-refusal")),
				hint: (why) => text(note, whyWords[why]),
			});
			return press;
		};
		return el("li", {}, act("pulse", "test"), ...(valve ? [act("prime", "prime")] : []), note);
	}
}
