// Press and hold: a button that acts only after a steady press, so that a wet brush of the glass or a tap does nothing.

/** How long a press must last. */
export const holdMs = 800;
/** A wet thumb drifts: it may leave the button by so much before the press is over. */
const marginPx = 24;
/** So much the button may move under the finger. */
const shiftPx = 8;
/** How long the first of two activations by assistive technology counts. */
const repeatMs = 6000;

/** Why a press ended without an act. @typedef {"short" | "again" | "left" | "finger" | "moved" | "away"} Why */

/** @type {Record<Why, string>} */
export const whyWords = {
	short: "Hold it for most of a second.",
	again: "Activate once more.",
	left: "Cancelled: the finger left the button.",
	finger: "Cancelled: a second finger touched it.",
	moved: "Cancelled: the page moved under the finger.",
	away: "Cancelled: something else came to the front.",
};

/**
 * Make a button act on press and hold. Pointer: one pointer that stays on the button. Keyboard: hold Space or Enter.
 * Assistive technology that can only activate (a click with no pointer and no key) must do so twice.
 * @param {HTMLButtonElement} button
 * @param {object} how
 * @param {() => boolean} how.ready asked at the start of a press; false: the press does nothing
 * @param {(share: number) => void} how.progress 0 to 1, and 0 when the press ends early
 * @param {() => void} how.act
 * @param {(why: Why) => void} how.hint
 */
export function pressAndHold(button, how) {
	/** @type {{ key?: string, pointer?: number, since: number, from: DOMRect, frame: number } | null} */
	let press = null;
	let firstActivation = -Infinity;
	let ignoreUntil = -Infinity;

	/** @param {string | undefined} key @param {number | undefined} pointer */
	function begin(key, pointer) {
		if (press || button.disabled || !how.ready()) return;
		if (pointer !== undefined) button.setPointerCapture(pointer);
		const from = button.getBoundingClientRect();
		press = { key, pointer, since: performance.now(), from, frame: requestAnimationFrame(step) };
	}

	function step() {
		if (!press) return;
		const share = Math.min(1, (performance.now() - press.since) / holdMs);
		if (button.disabled) return end();
		if (shifted(press.from, button.getBoundingClientRect())) return end("moved");
		how.progress(share);
		if (share < 1) {
			press.frame = requestAnimationFrame(step);
			return;
		}
		end();
		how.act();
	}

	/** @param {Why} [why] what is shown to the person */
	function end(why) {
		if (!press) return;
		cancelAnimationFrame(press.frame);
		if (press.pointer !== undefined && button.hasPointerCapture(press.pointer)) {
			button.releasePointerCapture(press.pointer);
		}
		press = null;
		ignoreUntil = performance.now() + 400;
		how.progress(0);
		if (why) how.hint(why);
	}

	button.addEventListener("pointerdown", (e) => {
		if (press) return end("finger"); // not a deliberate press
		if (e.isPrimary && e.button === 0) begin(undefined, e.pointerId);
	});
	button.addEventListener("pointermove", (e) => {
		if (press?.pointer === e.pointerId && !near(button, e)) end("left");
	});
	button.addEventListener("pointerup", () => end("short"));
	button.addEventListener("pointercancel", () => end("moved"));
	for (const gone of ["blur", "lostpointercapture"]) button.addEventListener(gone, () => end("away"));
	button.addEventListener("contextmenu", (e) => e.preventDefault());
	button.addEventListener("keydown", (e) => {
		if (e.key !== " " && e.key !== "Enter") return;
		e.preventDefault();
		if (!e.repeat) begin(e.key, undefined);
	});
	button.addEventListener("keyup", (e) => {
		if (e.key !== " " && e.key !== "Enter") return;
		e.preventDefault();
		if (press?.key === e.key) end("short");
	});
	addEventListener("blur", () => end("away"));
	document.addEventListener("visibilitychange", () => end("away"));

	button.addEventListener("click", (e) => {
		const now = performance.now();
		if (e.detail !== 0 || press || now < ignoreUntil || !how.ready()) return;
		if (now - firstActivation < repeatMs) {
			firstActivation = -Infinity;
			how.act();
		} else {
			firstActivation = now;
			how.hint("again");
		}
	});
}

/** @param {DOMRect} from @param {DOMRect} to */
function shifted(from, to) {
	return Math.max(Math.abs(to.x - from.x), Math.abs(to.y - from.y)) > shiftPx;
}

/** Whether a pointer is on the button or close beside it. @param {Element} button @param {PointerEvent} at */
function near(button, at) {
	const r = button.getBoundingClientRect();
	const beside = Math.max(r.left - at.clientX, at.clientX - r.right, r.top - at.clientY, at.clientY - r.bottom);
	return beside <= marginPx;
}
