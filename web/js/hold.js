// Press and hold: a button that acts only after a steady press, so that a wet brush of the glass or a tap does nothing.

/** How long a press must last. */
export const holdMs = 800;
/** A finger that moves further than this is brushing or scrolling. */
const movePx = 14;
/** How long the first of two activations by assistive technology counts. */
const repeatMs = 6000;

/**
 * Make a button act on press and hold. Pointer: one steady pointer. Keyboard: hold Space or Enter. Assistive technology
 * that can only activate (a click with no pointer and no key) must do so twice.
 * @param {HTMLButtonElement} button
 * @param {object} how
 * @param {() => boolean} how.ready asked at the start of a press; false: the press does nothing
 * @param {(share: number) => void} how.progress 0 to 1, and 0 when the press ends early
 * @param {() => void} how.act
 * @param {(why: "short" | "again") => void} how.hint the press was too short, or activate once more
 */
export function pressAndHold(button, how) {
	/** @type {{ key?: string, pointer?: number, x: number, y: number, since: number, frame: number } | null} */
	let press = null;
	let firstActivation = -Infinity;
	let quietUntil = -Infinity;

	/** @param {string | undefined} key @param {number | undefined} pointer @param {number} x @param {number} y */
	function begin(key, pointer, x, y) {
		if (press || button.disabled || !how.ready()) return;
		press = { key, pointer, x, y, since: performance.now(), frame: requestAnimationFrame(step) };
	}

	function step() {
		if (!press) return;
		const share = Math.min(1, (performance.now() - press.since) / holdMs);
		if (button.disabled) return end(false);
		how.progress(share);
		if (share < 1) {
			press.frame = requestAnimationFrame(step);
			return;
		}
		end(false);
		how.act();
	}

	/** @param {boolean} short released too soon: hint at it */
	function end(short) {
		if (!press) return;
		cancelAnimationFrame(press.frame);
		press = null;
		quietUntil = performance.now() + 400;
		how.progress(0);
		if (short) how.hint("short");
	}

	button.addEventListener("pointerdown", (e) => {
		if (press) return end(false); // a second finger: not a deliberate press
		if (e.isPrimary && e.button === 0) begin(undefined, e.pointerId, e.clientX, e.clientY);
	});
	button.addEventListener("pointermove", (e) => {
		if (press?.pointer !== e.pointerId) return;
		if (Math.hypot(e.clientX - press.x, e.clientY - press.y) > movePx) end(false);
	});
	button.addEventListener("pointerup", () => end(true));
	for (const gone of ["pointerleave", "pointercancel", "blur", "lostpointercapture"]) {
		button.addEventListener(gone, () => end(false));
	}
	button.addEventListener("contextmenu", (e) => e.preventDefault());
	button.addEventListener("keydown", (e) => {
		if (e.key !== " " && e.key !== "Enter") return;
		e.preventDefault();
		if (!e.repeat) begin(e.key, undefined, 0, 0);
	});
	button.addEventListener("keyup", (e) => {
		if (e.key !== " " && e.key !== "Enter") return;
		e.preventDefault();
		if (press?.key === e.key) end(true);
	});
	addEventListener("scroll", () => end(false), { passive: true, capture: true });
	addEventListener("blur", () => end(false));
	document.addEventListener("visibilitychange", () => end(false));

	button.addEventListener("click", (e) => {
		const now = performance.now();
		if (e.detail !== 0 || press || now < quietUntil || !how.ready()) return;
		if (now - firstActivation < repeatMs) {
			firstActivation = -Infinity;
			how.act();
		} else {
			firstActivation = now;
			how.hint("again");
		}
	});
}
