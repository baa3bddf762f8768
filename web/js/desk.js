// The page once paired: it shows each snapshot as a whole, and sends commands.

import { attr, button, byId, el, keyed, table, text } from "./dom.js";
import { Bar } from "./bar.js";
import { choiceField, placeRefusal, quantityField, trimField } from "./fields.js";
import { Elevation } from "./drawings/elevation.js";
import { pressAndHold, whyWords } from "./hold.js";
import { icon, scene } from "./icons.js";
import { Judging } from "./judging.js";
import { sentence, show, refusalText } from "./refusals.js";
import { exposures, light, measured, shutters, trims } from "./set.js";
import { showShots } from "./shots.js";
import { drawTable, drawTimeline, timelineText } from "./timeline.js";
import { fixed, inUnit, ms, signed } from "./units.js";
import { voice } from "./voice.js";

/** @import { Care, InputView, Kind, Preview, Refusal, ShotView, Snapshot, State, Term } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */
/** @import { Field } from "./fields.js" */

/** @type {{ kind: Kind, word: string }[]} */
const kinds = [
	{ kind: "drop", word: "Falling drop" },
	{ kind: "throw", word: "Thrown sheet" },
	{ kind: "sound", word: "A sound" },
];

/** @type {Record<string, string>} */
const stateWords = {
	safe: "Safe",
	arming: "Arming",
	armed: "Armed",
	firing: "Firing",
	resting: "Resting",
	fault: "Fault",
};

/** The states in which something may fire by itself. */
const live = ["armed", "firing", "resting"];

export class Desk {
	/** @type {Snapshot | null} */ #snap = null;
	#me = "";
	#online = false;
	#fresh = true;
	#letGo = false;
	#clockOff = 0;
	#announced = "";
	#drawn = "";
	#news = "";
	#wrong = "";
	#newest = -1;
	#refusedAt = { field: "" };

	/** @param {Commands} commands */
	constructor(commands) {
		this.commands = commands;
		this.bar = new Bar(commands);
		this.judging = new Judging(byId("shots-list"), () => this.#showShots());
		this.trim = byId("trim"); // moves about, and leaves the page with a card
		/** @type {Record<Kind, Field>} */
		this.trims = {
			drop: trimField(trims.drop, commands),
			throw: trimField(trims.throw, commands),
			sound: trimField(trims.sound, commands),
		};
		/** @type {Record<Kind, Field[]>} */
		this.measured = {
			drop: [
				...measured.drop.map((q) => quantityField(q, commands)),
				choiceField("drop.liquid", (s) => s.liquids, commands),
				choiceField("drop.phase", (s) => s.phases, commands),
			],
			throw: measured.throw.map((q) => quantityField(q, commands)),
			sound: measured.sound.map((q) => quantityField(q, commands)),
		};
		this.light = [
			choiceField("light.expose", () => exposures, commands),
			choiceField("light.shutter", () => shutters, commands),
			...light.map((q) => quantityField(q, commands)),
		];
		this.elevation = new Elevation(byId("elevation"), () => this.#fields);
		byId("light-fields").append(...this.light.map((f) => f.node));
		byId("kinds").append(...kinds.map((k) => this.#kindButton(k)));
		byId("page").addEventListener("click", (e) => this.#fix(e));
		byId("session-form").addEventListener("submit", (e) => this.#newSession(e));
		new ResizeObserver(() => this.#draw()).observe(byId("coming-drawing"));
		byId("exact-fold").addEventListener("toggle", () => this.#draw(true));
		setInterval(() => this.#tick(), 250);
	}

	/** Whether anything was ever shown. */
	get shown() {
		return this.#snap !== null;
	}

	/** @returns {Field[]} */
	get #fields() {
		return [...Object.values(this.trims), ...this.light, ...Object.values(this.measured).flat()];
	}

	/**
	 * Where a refusal belongs: beside the field it names if that is on the page, else where it was asked.
	 * @param {Refusal} refusal
	 * @param {HTMLElement} from
	 */
	placeFor(refusal, from) {
		const field = this.#fields.find((f) => f.name === refusal.field);
		return field && field.node.offsetParent !== null ? field.slot : from;
	}

	/** Show a snapshot. @param {Snapshot} snap @param {string} me this phone's name */
	show(snap, me) {
		this.#snap = snap;
		this.commands.epoch = snap.epoch;
		this.#me = me;
		this.#online = true;
		this.#clockOff = Date.now() - Date.parse(snap.sent);
		if (this.#fresh) this.commands.send({ type: "clock", now: Date.now() }, byId("session-no"));
		this.#takeIfFree(snap);
		this.#showState();
		this.#showCare(snap);
		this.#showKinds(snap);
		for (const f of this.#fields) f.update(snap);
		this.elevation.show(snap);
		placeRefusal(this.#fields, snap.refusal, this.#refusedAt);
		this.#showComing(snap);
		this.#showShots();
		this.#tellShot(snap.shots[0]);
		this.#showBudget(snap.preview);
		this.#showBoard(snap);
		this.#showOutputs(snap);
		this.#showControls(snap);
		text(byId("session-words"), sessionWords(snap));
		this.bar.show(snap, this.#holding);
		this.#enable();
	}

	#showShots() {
		if (!this.#snap) return;
		const shots = this.judging.admit(this.#snap.shots);
		showShots(byId("shots-list"), shots, this.commands);
		this.#placeTrim(shots[0]);
		byId("shots").hidden = shots.length === 0;
		this.#enable();
		this.#bringUp(this.#snap.state, shots[0]?.id ?? 0);
	}

	/** A shot that is new since the page was opened is read out once. @param {ShotView | undefined} shot */
	#tellShot(shot) {
		const id = shot?.id ?? 0;
		if (shot && this.#newest >= 0 && id > this.#newest) {
			voice.say(sentence(`shot ${shot.number}: ${shot.problem || shot.status}. ${shot.seen && `The camera saw: ${shot.seen}`}`));
		}
		this.#newest = id;
	}

	/** After a verdict of early or late the trim is the next step: it is shown under the verdict. */
	#placeTrim(/** @type {ShotView | undefined} */ shot) {
		const off = !shot?.problem && (shot?.verdict === "early" || shot?.verdict === "late");
		const above = document.querySelector(off ? "#shots-list .verdicts" : "#coming-title");
		if (above && this.trim.previousElementSibling !== above) above.after(this.trim);
	}

	/** What is news stands at the top: go there when it arms and when a shot comes, unless someone is typing. */
	#bringUp(/** @type {State} */ state, /** @type {number} */ shot) {
		const news = `${state === "safe" || state === "fault"} ${shot}`;
		const latest = this.#news !== "";
		const typing = document.activeElement?.matches("input, select") ?? false;
		if (latest && news !== this.#news && !typing) scrollTo(0, 0);
		this.#news = news;
	}

	/** The connection dropped: say so, and disable all controls. */
	lost() {
		if (!this.#online && this.#announced === "lost") return;
		this.#online = false;
		this.#fresh = true;
		this.#showState();
		this.#enable();
		this.bar.idle();
	}

	get #holding() {
		return this.#me !== "" && this.#snap?.holder === this.#me;
	}

	/** A phone takes the controls of a machine that nobody holds, unless it released them itself. */
	#takeIfFree(/** @type {Snapshot} */ snap) {
		const fresh = this.#fresh;
		this.#fresh = false;
		if (fresh && snap.holder === "" && !this.#letGo) this.commands.send({ type: "take" }, byId("controls-no"));
	}

	#showState() {
		const snap = this.#snap;
		const state = this.#online && snap ? snap.state : "lost";
		document.documentElement.dataset.state = state;
		// What was armed when the line dropped may still be: the page stays as dark.
		attr(document.documentElement, "data-live", snap !== null && live.includes(snap.state));
		const place = byId("state-scene");
		if (place.dataset.scene !== state) {
			place.dataset.scene = state;
			place.replaceChildren(scene(state));
		}
		if (state === "lost" || !snap) {
			text(byId("state-word"), "Not connected");
			text(byId("state-reason"), lostWords(snap, this.#holding));
			text(byId("state-next"), "");
		} else {
			text(byId("state-word"), stateWords[snap.state] ?? snap.state);
			text(byId("state-reason"), reasonWords(snap));
			this.#tick();
		}
		document.title = `${byId("state-word").textContent} · Stillwater`;
		this.#showNotice(state === "lost" ? null : snap);
		const key = state === "lost" ? "lost" : `${state} ${snap?.armed_left} ${snap?.reason}`;
		// On the way to armed or safe the old state has the new reason: only the state that follows is announced.
		const between = state === "arming" || (state !== "safe" && snap?.reason.includes("disarmed"));
		if (key === this.#announced || (state !== "lost" && between)) return;
		this.#announced = key;
		const words = `${byId("state-word").textContent}. ${byId("state-reason").textContent}`;
		if (state === "lost" || state === "fault") voice.alarm(words);
		else voice.say(`${words} ${snap ? nextWords(snap, null) : ""}`);
	}

	/** Rejected edges, and a record that cannot be kept. @param {Snapshot | null} snap */
	#showNotice(snap) {
		const words = [];
		if (snap?.notice) words.push(sentence(snap.notice));
		if (this.#holding && snap?.asking[0]) words.push(`${capital(snap.asking[0])} asks for the controls: see below.`);
		if (snap?.record.problem) words.push(sentence(`the record cannot be written: ${snap.record.problem}`));
		if (snap && snap.record.waiting > (snap.record.problem ? 0 : 1))
			words.push(`Shots not yet in the record: ${snap.record.waiting}.`);
		const place = byId("state-notice");
		place.hidden = words.length === 0;
		text(place, words.join(" "));
	}

	/** The line about what happens next, with the time left; not read aloud as it counts down. */
	#tick() {
		const snap = this.#snap;
		if (!this.#online || !snap) return;
		const left = snap.armed_ends > 0 ? Math.max(0, snap.armed_ends - (Date.now() - this.#clockOff)) : null;
		text(byId("state-next"), nextWords(snap, left));
	}

	#showCare(/** @type {Snapshot} */ snap) {
		this.#placeCare(snap.care_done);
		const again = snap.care_again && `These are asked again, because ${snap.care_again}. `;
		text(byId("care-title"), snap.care_done ? "Care" : again ? "Before it is armed again" : "Before the first arming");
		text(
			byId("care-lead"),
			snap.care_done
				? "All points are ticked for this session. Untick one when it is no longer so."
				: `${again}Read each point and tick it when it is so. Local codes come first.`,
		);
		keyed(
			byId("care-list"),
			snap.care,
			(c) => c.id,
			(c) => this.#careItem(c),
			(node, c) => {
				const box = /** @type {HTMLInputElement} */ (node.querySelector("input"));
				box.checked = c.ticked;
				text(node.querySelector(".caution"), c.text);
			},
		);
	}

	/** What is done comes last, on the screen and by keyboard. @param {boolean} done */
	#placeCare(done) {
		const section = byId("care");
		section.classList.toggle("done", done);
		const columns = document.querySelectorAll(".page .column");
		const column = columns[done ? columns.length - 1 : 0];
		if (section.parentElement === column) return;
		const focus = document.activeElement;
		if (done) column.append(section);
		else column.prepend(section);
		if (focus instanceof HTMLElement && section.contains(focus)) focus.focus({ preventScroll: true });
	}

	/** @param {Care} care */
	#careItem(care) {
		const box = el("input", {
			type: "checkbox",
			onclick: (/** @type {Event} */ e) => {
				e.preventDefault(); // the tick appears when the machine has it
				const now = this.#snap?.care.find((c) => c.id === care.id)?.ticked ?? false;
				this.commands.send({ type: "care", id: care.id, ticked: !now }, byId("care-no"));
			},
		});
		return el("li", {}, el("label", { "data-care": care.id }, box, el("span", { class: "caution" }, care.text)));
	}

	/** @param {{ kind: Kind, word: string }} k */
	#kindButton({ kind, word }) {
		const choose = () => this.commands.send({ type: "set", field: "kind", value: kind }, byId("kinds-no"));
		return button({ "data-kind": kind, onclick: choose }, icon(kind), el("span", {}, word));
	}

	#showKinds(/** @type {Snapshot} */ snap) {
		for (const b of byId("kinds").children) {
			attr(b, "aria-pressed", `${b.getAttribute("data-kind") === snap.set.kind}`);
		}
		const place = byId("set-fields");
		if (place.dataset.kind === snap.set.kind) return;
		place.dataset.kind = snap.set.kind;
		place.replaceChildren(...(this.measured[snap.set.kind] ?? []).map((f) => f.node));
		this.trim.replaceChildren(this.trims[snap.set.kind].node);
	}

	#showComing(/** @type {Snapshot} */ snap) {
		text(byId("coming-summary"), snap.preview?.summary ?? "There is no shot to draw: the set cannot work as it is.");
		show(byId("coming-no"), snap.preview ? null : snap.refusal);
		const wrong = !snap.preview && snap.refusal ? refusalText(snap.refusal) : "";
		if (wrong !== this.#wrong && wrong !== "") voice.say(`The set cannot work. ${wrong}`);
		this.#wrong = wrong;
		byId("coming-values").hidden = !snap.preview;
		text(byId("coming-band"), snap.preview ? bandWords(snap.preview) : "");
		const list = byId("coming-list");
		const made = JSON.stringify(snap.preview);
		if (list.dataset.made !== made) {
			list.dataset.made = made;
			list.replaceChildren(...(snap.preview ? timelineText(snap.preview) : []));
		}
		this.#draw();
	}

	#draw(again = false) {
		const place = byId("coming-drawing");
		const preview = this.#snap?.preview ?? null;
		const width = Math.floor(place.clientWidth);
		const key = `${width} ${JSON.stringify(preview)}`;
		if (width === 0 || (key === this.#drawn && !again)) return;
		this.#drawn = key;
		place.replaceChildren(...(preview ? [drawTimeline(preview, width)] : []));
		const table = byId("table");
		const curve = preview && table.clientWidth > 0 ? drawTable(preview, Math.floor(table.clientWidth)) : null;
		table.replaceChildren(...(curve ? [curve] : []));
	}

	#showBudget(/** @type {Preview | null} */ preview) {
		byId("exact").hidden = !preview;
		const key = JSON.stringify([preview?.budget, preview?.advice]);
		const place = byId("budget");
		if (!preview || place.dataset.made === key) return;
		place.dataset.made = key;
		place.replaceChildren(budgetTable(preview.budget));
		byId("advice").replaceChildren(...preview.advice.map((a) => el("li", {}, a)));
	}

	#showBoard(/** @type {Snapshot} */ snap) {
		const b = snap.board;
		const kind = b.kind === "simulated" ? "nothing real fires" : "a real board";
		const link = b.connected ? `connected, one tick is ${b.tick_us} µs` : "not connected";
		const why = b.connected ? "" : sentence(b.problem);
		text(byId("board-words"), `${capital(b.name)}: ${kind}. ${sentence(link)} ${why}`);
		keyed(
			byId("inputs"),
			snap.inputs,
			(i) => i.name,
			() => el("li", {}),
			(node, i) => {
				text(node, inputWords(i));
				attr(node, "data-active", i.active ? "yes" : "no");
			},
		);
	}

	/** Each output can be tested by itself. @param {Snapshot} snap */
	#showOutputs(snap) {
		const list = byId("outputs");
		list.hidden = snap.board.outputs.length === 0;
		keyed(
			list,
			snap.board.outputs,
			(o) => o.name,
			({ name }) => {
				const note = el("p", { class: "hint" });
				const press = button({});
				pressAndHold(press, {
					ready: () => true,
					progress: (share) => attr(press, "aria-pressed", share > 0 && "true"),
					act: () => this.commands.send({ type: "pulse", output: name }, byId("outputs-no")),
					hint: (why) => text(note, whyWords[why]),
				});
				return el("li", {}, press, note);
			},
			(node, o) => {
				text(node.firstChild, `Hold to test ${o.name}, ${o.test_ms} ms`);
				if (o.tested) text(node.lastChild, sentence(o.tested));
			},
		);
	}

	#showControls(/** @type {Snapshot} */ snap) {
		const n = snap.onlookers - (this.#holding ? 0 : 1);
		const others = n < 1 ? "No other phone is watching." : n === 1 ? "One other phone is watching." : `${n} others are watching.`;
		const who = this.#holding
			? `This phone (${this.#me}) holds the controls.`
			: snap.holder === ""
				? `Nobody holds them. This is ${this.#me}.`
				: `${capital(snap.holder)} holds the controls; this is ${this.#me} and is watching. Anyone can disarm.`;
		text(byId("controls-words"), `${who} ${others}`);
		/** @type {{ key: string, label: string, act: () => void }[]} */
		const acts = [];
		const no = byId("controls-no");
		if (this.#holding) {
			for (const id of snap.asking) {
				acts.push({
					key: `give ${id}`,
					label: `Hand the controls to ${id}`,
					act: () => this.commands.send({ type: "give", to: id }, no),
				});
			}
			acts.push({ key: "release", label: "Give up the controls", act: () => this.#release() });
		} else if (snap.asking.includes(this.#me)) {
			acts.push({ key: "asked", label: "Asked; waiting for the holder", act: () => this.#take() });
		} else {
			acts.push({
				key: "take",
				label: snap.holder === "" ? "Take the controls" : "Ask for the controls",
				act: () => this.#take(),
			});
		}
		keyed(
			byId("controls-acts"),
			acts,
			(a) => a.key,
			(a) => button({ onclick: a.act }, a.label),
			(node, a) => {
				text(node, a.label);
				attr(node, "data-act", a.key.split(" ")[0]);
			},
		);
	}

	#take() {
		this.#letGo = false;
		this.commands.send({ type: "take" }, byId("controls-no"));
	}

	#release() {
		this.#letGo = true;
		this.commands.send({ type: "release" }, byId("controls-no"));
	}

	/** A refusal's fix was pressed. @param {Event} e */
	#fix(e) {
		const button = /** @type {HTMLElement} */ (e.target).closest(".fix");
		if (!(button instanceof HTMLElement)) return;
		const { field = "", value = "" } = button.dataset;
		this.commands.send({ type: "set", field, value }, byId("coming-no"));
	}

	/** @param {Event} e */
	#newSession(e) {
		e.preventDefault();
		const input = /** @type {HTMLInputElement} */ (byId("session-name"));
		this.commands.send({ type: "session", name: input.value.trim() }, byId("session-no"), (refusal) => {
			if (!refusal) input.value = "";
		});
	}

	/** Only what would work can be pressed: everything needs the connection, and most things need the controls. */
	#enable() {
		const free = new Set(["take", "asked"]);
		for (const node of byId("page").querySelectorAll("button, input, select")) {
			if (node.closest("#bar")) continue;
			const able = this.#holding || free.has(node.getAttribute("data-act") ?? "");
			attr(node, "disabled", !this.#online || !able);
		}
		this.elevation.enable(this.#online && this.#holding);
		this.bar.enable(this.#online, this.#holding);
	}
}

/** @param {Snapshot} snap @param {number | null} left ms until arming ends, null: leave it out */
function nextWords(snap, left) {
	if (snap.state === "safe" || snap.state === "fault") return "";
	const parts = [];
	const p = snap.preview;
	if (p) parts.push(p.table.length ? "the gate sets the delay" : `delay ${ms(p.delay_ms)} ms`);
	const trim = inUnit(snap.set.trim[snap.set.kind], "ms");
	if (trim) parts.push(`trim ${signed(trim, 1)} ms`);
	if (snap.armed_left > 0) parts.push(snap.armed_left === 1 ? "one shot left" : `${snap.armed_left} shots left`);
	if (left !== null) {
		const s = Math.ceil(left / 1000);
		parts.push(`disarms in ${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`);
	}
	const words = capital(parts.join(", "));
	return words === "" ? "" : `${words}.`;
}

/** What the machine does that no longer answers. @param {Snapshot | null} snap @param {boolean} holding */
function lostWords(snap, holding) {
	if (snap === null || snap.state === "safe" || snap.state === "fault") {
		return "Reconnecting: the machine does not answer. What is shown below is its last known state.";
	}
	const end = holding ? ` It disarms ${snap.grace_s} s after the line dropped.` : "";
	return `It was armed and may still fire.${end} To stop it now use the switch at the machine.`;
}

/** @param {Preview} p */
function bandWords(p) {
	if (p.delay_high_ms <= p.delay_low_ms) return "";
	return `Hatched: where the wanted moment may fall, ${ms(p.delay_low_ms)} to ${ms(p.delay_high_ms)} ms.`;
}

/** @param {Snapshot} snap */
function sessionWords(snap) {
	const began = new Date(snap.session.started);
	const shots = snap.shot_count === 1 ? "one shot" : `${snap.shot_count} shots`;
	const date = Number.isNaN(began.getTime())
		? "no known date"
		: began.toLocaleString([], { dateStyle: "medium", timeStyle: "short", hourCycle: "h23" });
	const name = snap.session.name === "" ? `Session of ${date}` : `“${snap.session.name}”, since ${date}`;
	return `${name}: ${shots}. ${snap.session.dates}`;
}

/** @param {InputView} i */
function inputWords(i) {
	const role = i.role === "" || i.role === i.name ? "" : ` (${i.role})`;
	const edges = i.edges === 1 ? "one edge" : `${i.edges} edges`;
	return `${i.name}${role}: ${i.active ? "active now" : "quiet"}, ${edges} seen`;
}

/** A figure that is too small for its decimals is not shown as 0. @param {number} v @param {number} digits */
function small(v, digits) {
	const least = 10 ** -digits;
	return v !== 0 && Math.abs(v) < least / 2 ? `< ${least}` : fixed(v, digits);
}

/** @param {Term[]} terms */
function budgetTable(terms) {
	const most = Math.max(...terms.map((t) => Math.abs(t.ms)), 1e-9);
	const rows = terms.map((t) => {
		const share = el("span", { class: "share" });
		share.style.width = `${(100 * Math.abs(t.ms)) / most}%`;
		return el(
			"tr",
			{},
			el(
				"th",
				{ scope: "row" },
				t.name,
				t.steady ? el("i", {}, " the same each time: the trim takes it out") : null,
				share,
			),
			el("td", {}, small(t.ms, 2)),
			el("td", {}, small(t.mm, 1)),
		);
	});
	return table([["What adds to it"], ["Time", el("i", {}, "ms")], ["Place", el("i", {}, "mm")]], rows);
}

/** The reason without the state's word before it, which stands above it already. @param {Snapshot} snap */
function reasonWords(snap) {
	const word = `${snap.state}: `;
	return sentence(snap.reason.startsWith(word) ? snap.reason.slice(word.length) : snap.reason);
}

/** @param {string} s */
function capital(s) {
	return s === "" ? "" : s[0].toUpperCase() + s.slice(1);
}
