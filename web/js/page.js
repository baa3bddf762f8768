// The page once paired: it shows each snapshot as a whole, place by place, and sends commands.

import { attr, byId } from "./dom.js";
import { Arming } from "./arming.js";
import { Bar } from "./bar.js";
import { Board } from "./board.js";
import { CareList } from "./care.js";
import { Controls } from "./controls.js";
import { placeRefusal } from "./fields.js";
import { makeDimmer } from "./dimmer.js";
import { DryRun } from "./dryrun.js";
import { LagMeasurement } from "./lag.js";
import { LookBack } from "./lookback.js";
import { Places } from "./places.js";
import { Practice } from "./practice.js";
import { Sensors } from "./sensors.js";
import { loadNames, named } from "./set.js";
import { SetUp } from "./setup.js";
import { Shoot } from "./shoot.js";
import { StateHeader } from "./state.js";
import { keepFolds } from "./store.js";
import { Studio } from "./studio.js";
import { ThisPhone } from "./thisphone.js";
import { isDark } from "./words.js";

/** @import { Fix, Refusal, Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */
/** @import { Field } from "./fields.js" */
/** @import { Radio } from "./radio.js" */

export class Page {
	/** @type {Snapshot | null} */ #snap = null;
	#me = "";
	#online = false;
	#fresh = true;
	#clockOff = 0;
	#countdown = 0; // how long the one under way is, ms
	#lostAt = 0;
	#refusedAt = { field: "" };
	/** @type {Radio | null} */ #radio = null;

	/** @param {Commands} commands */
	constructor(commands) {
		this.commands = commands;
		keepFolds(byId("page"));
		makeDimmer("phone-light");
		this.places = new Places(() => this.#enable());
		this.state = new StateHeader();
		this.care = new CareList(commands, () => this.places.lead("shoot"));
		this.controls = new Controls(commands);
		this.setup = new SetUp(commands);
		this.board = new Board(commands);
		this.sensors = new Sensors(commands, () => this.#snap && this.sensors.show(this.#snap));
		this.lag = new LagMeasurement(commands);
		this.arming = new Arming(() => this.bar?.showWord());
		this.dryRun = new DryRun(commands);
		this.shoot = new Shoot(commands);
		this.lookback = new LookBack(commands);
		this.practice = new Practice(commands);
		this.phone = new ThisPhone();
		this.bar = new Bar(commands, this.arming, (what) => this.#lead(what));
		/** @type {Field[]} */
		this.fields = [...this.shoot.fields, ...this.setup.fields];
		this.studio = new Studio(commands, (more) => this.#more(more));
		byId("page").addEventListener("click", (e) => {
			this.#fix(e);
			const to = /** @type {HTMLElement} */ (e.target).closest("[data-lead]");
			if (to instanceof HTMLElement) this.#leadTo(to.dataset.lead ?? "");
		});
		setInterval(() => this.#tick(), 250);
	}

	/** Whether anything was ever shown. */
	get shown() {
		return this.#snap !== null;
	}

	/**
	 * Where a refusal belongs: beside the field it names if that is on the page, else where it was asked.
	 * @param {Refusal} refusal
	 * @param {HTMLElement} from
	 */
	placeFor(refusal, from) {
		const field = this.fields.find((f) => f.name === refusal.field);
		return field && field.node.offsetParent !== null ? field.slot : from;
	}

	/** Show a snapshot. @param {Snapshot} snap @param {string} me this phone's name */
	show(snap, me) {
		const before = this.#snap;
		this.#snap = snap;
		this.commands.epoch = snap.epoch;
		this.#me = me;
		this.#online = true;
		this.#clockOff = Date.now() - Date.parse(snap.sent);
		if (this.#fresh) this.#greet(snap);
		this.#showState();
		this.care.show(snap);
		this.setup.show(snap);
		this.studio.show(snap);
		this.board.show(snap);
		this.sensors.show(snap);
		this.lag.show(snap);
		this.dryRun.show(snap);
		this.controls.show(snap, me);
		this.shoot.show(snap, this.#holding);
		this.practice.show(snap);
		this.lookback.show(snap, me);
		const besideGuide = this.fields.filter((f) => !f.node.closest("#guide")); // a step says itself what is wrong with it
		placeRefusal(besideGuide, snap.refusal, this.#refusedAt);
		this.phone.show(snap);
		this.arming.update(snap);
		this.bar.show(snap, this.#holding);
		this.#enable();
		if (before && !isDark(before) && isDark(snap)) this.#armed();
		if (snap.refusal?.field.includes(".") && !named(snap.refusal.field)) {
			loadNames().then(() => this.#snap && named(snap.refusal?.field ?? "") && this.show(this.#snap, me), () => {});
		}
	}

	/** The machine's Wi-Fi, where that is for the page. @param {Radio} radio */
	add(radio) {
		this.#radio = radio;
		if (this.shown) radio.load();
	}

	/** Fields that were loaded later. @param {Field[]} fields */
	#more(fields) {
		this.fields.push(...fields);
		this.#enable();
	}

	/** The connection dropped: say so, and disable all controls. */
	lost() {
		if (this.#online) this.#lostAt = performance.now();
		this.#online = false;
		this.#fresh = true;
		this.#showState();
		this.#enable();
		this.bar.idle();
		this.lookback.lost();
	}

	get #holding() {
		return this.#me !== "" && this.#snap?.holder === this.#me;
	}

	/** The first snapshot of a connection. @param {Snapshot} snap */
	#greet(snap) {
		this.#fresh = false;
		this.commands.send({ type: "clock", now: Date.now() }, byId("session-refusal"));
		this.controls.takeIfFree(snap);
		this.#radio?.load();
	}

	#showState() {
		this.state.show(this.#snap, this.#online, this.#holding);
		byId("setup-armed").hidden = !this.#snap || !isDark(this.#snap);
		if (this.#snap) this.shoot.armed.show(this.#snap, this.#online, this.#holding, this.state.notice);
		this.#tick();
	}

	/** The time left. */
	#tick() {
		const snap = this.#snap;
		if (!snap) return;
		if (!this.#online) {
			const grace = snap.grace_s * 1000;
			const over = performance.now() - this.#lostAt;
			return this.shoot.armed.tick(this.#holding ? Math.max(0, grace - over) : null, grace);
		}
		const until = (/** @type {number} */ end) => (end > 0 ? Math.max(0, end - (Date.now() - this.#clockOff)) : null);
		const left = until(snap.armed_ends);
		const arms = until(snap.arms_at);
		this.state.tick(snap, left, arms);
		this.phone.tick(arms);
		this.#countdown = arms === null ? 0 : Math.max(this.#countdown, arms);
		this.shoot.armed.tick(left ?? arms, left === null ? this.#countdown : snap.arm_for_s * 1000);
	}

	/** What is armed is shot: go there, unless somebody is typing. */
	#armed() {
		const typing = document.activeElement?.matches("input, select") ?? false;
		if (!typing) this.places.lead("shoot");
	}

	/** What keeps it from being armed. @param {"care" | "set"} what */
	#lead(what) {
		const field = this.#snap?.refusal?.field ?? "";
		if (what === "set" && named(field)) {
			this.#leadTo(field);
			return;
		}
		this.places.open(what === "set" ? "shoot" : "setup");
		byId(what).scrollIntoView({ block: "start" });
	}

	/** Show a field where it is changed. @param {string} name */
	#leadTo(name) {
		import("./studio/lead.js").then(({ lead }) => lead(this, name), () => this.places.open("setup"));
	}

	/** A refusal's fix was pressed. @param {Event} e */
	#fix(e) {
		const button = /** @type {HTMLElement} */ (e.target).closest(".fix");
		if (!(button instanceof HTMLElement)) return;
		const { field = "", value = "", also = "[]" } = button.dataset;
		/** @type {Fix[]} */
		const changes = [{ field, value }, ...JSON.parse(also)];
		const own = button.closest(".field")?.querySelector(".refusal");
		const place = own instanceof HTMLElement ? own : byId("coming-refusal");
		for (const { field, value } of changes) this.commands.send({ type: "set", field, value }, place);
	}

	/**
	 * Only what would work can be pressed: what changes something needs the connection, and most of that the controls.
	 * What is in an element with data-free is left alone.
	 */
	#enable() {
		const free = new Set(["take", "asked"]);
		for (const node of document.querySelectorAll(":is(#setup, #shoot) :is(button, input, select)")) {
			if (node.closest("[data-free]")) continue;
			const able = this.#holding || free.has(node.getAttribute("data-act") ?? "");
			attr(node, "disabled", !this.#online || !able);
		}
		this.setup.elevation.enable(this.#online && this.#holding);
		this.bar.enable(this.#online, this.#holding);
	}
}
