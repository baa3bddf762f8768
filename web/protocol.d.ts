// What the page and the machine say to each other over the websocket, one JSON object a message. The interfaces up to
// Command mirror internal/control and internal/shot field by field; a Go test holds the two together.

export type State = "safe" | "arming" | "armed" | "firing" | "resting" | "fault";

/** Everything a phone shows. */
export interface Snapshot {
	epoch: number;
	state: State;
	reason: string;
	/** An edge rejected, edges lost, the record full: a message, "" none. */
	notice: string;
	record: RecordStatus;
	armed_left: number;
	armed_ends: number;
	arms_at: number;
	dry_run: boolean;
	arm_for_s: number;
	needs_go: boolean;
	repeat: RepeatView | null;
	board: Board;
	inputs: InputView[];
	holder: string;
	asking: string[];
	onlookers: number;
	/** The phone that holds the controls is disconnected, locked, or shows something else. */
	away: boolean;
	grace_s: number;
	care: Care[];
	care_done: boolean;
	care_again: string;
	session: SessionView;
	set: Set;
	preview: Preview | null;
	refusal: Refusal | null;
	evening: Care[];
	lighting: Lighting | null;
	elevation: string;
	room: Room | null;
	shots: ShotView[];
	shot_count: number;
	dry_shots: DryShot[];
	dry_edge: DryEdge;
	lag: Lag;
	camera: CameraStatus;
	/** What the session's tries say of the delay; null: the set cannot work, or that is being worked out. */
	tuning: Tuning | null;
	/** A sweep of the trim under way. */
	sweep: SweepView | null;
	next_file: number;
	phases: Choice[];
	liquids: Choice[];
	sent: string;
}

/** How the journal keeps up. */
export interface RecordStatus {
	waiting: number;
	problem: string;
}

export interface Choice {
	value: string;
	label: string;
	/** What it means, where the label does not say. */
	hint?: string;
}

export interface Board {
	kind: string;
	name: string;
	connected: boolean;
	problem: string;
	tick_us: number;
	outputs: OutputView[];
}

export interface OutputView {
	name: string;
	test_ms: number;
	tested: string;
	prime_ms: number;
}

/** Go given again by itself. */
export interface RepeatView {
	every_s: number;
	times: number;
	left: number;
	next_at: number;
}

export interface Lag {
	running: boolean;
	wanted: number;
	released: number;
	samples_ms: number[];
	mean_ms: number;
	sd_ms: number;
	outliers: number[];
	bins: LagBin[];
	words: string;
	usable: boolean;
}

/** How far the session's frames have been read, matched and measured. */
export interface CameraStatus {
	/** Changes when more is known; 0: no frames are taken here. */
	version: number;
	/** What is being done or waited for, in words; "" nothing. */
	busy: string;
	/** In the session's frames, and on no record yet. */
	measured: number;
	/** With the connected camera or the watched folder, in a sentence; "" none. */
	problem: string;
}

/** The camera's frame of a shot, and what it suggests. */
export interface FrameView {
	name: string;
	/** Changes with its files, and so with its picture. */
	version: string;
	/** "certain" or "likely". */
	sure: string;
	settled: boolean;
	verdict: Verdict;
	says: string[];
	next: string[];
}

export interface LagBin {
	from_ms: number;
	to_ms: number;
	count: number;
}

export interface DryShot {
	number: number;
	interval_ms: number | null;
	delay_ms: number;
	cues: DryCue[];
	words: string;
}

/** How ragged the sheet's edge was, by the throws of a dry run. */
export interface DryEdge {
	/** 0: nothing was measured. */
	throws: number;
	/** For throw.edge; "": too few throws. */
	value: string;
	words: string;
}

export interface DryCue {
	name: string;
	from_ms: number;
	to_ms: number;
}

export interface InputView {
	name: string;
	role: string;
	use: string;
	active: boolean;
	edges: number;
	breaks: Break[];
	chatter: string;
	level?: LevelView | null;
}

export interface Break {
	at: number;
	length_ms: number;
	pieces: number;
}

export interface LevelView {
	now: number;
	peak: number;
	threshold: number;
}

export interface Care {
	id: string;
	text: string;
	ticked: boolean;
}

/** The set's light, focus and framing, step by step. */
export interface Lighting {
	/** Fields of the set that all steps depend on. */
	camera: string[];
	steps: LightStep[];
	drawings: DrawingView[];
	marks: Marks[];
}

export interface LightStep {
	id: string;
	title: string;
	do: string;
	expect: string;
	/** Fields of the set for what was seen, and those that it depends on. */
	seen: string[];
	fields: string[];
	verdict: string;
	says: string;
	next: string;
	fixes: Fix[];
	drawing: string;
}

export interface DrawingView {
	name: string;
	svg: string;
}

/** A series of values as cameras and flash units mark them. */
export interface Marks {
	series: string;
	values: string[];
}

export interface SessionView {
	id: number;
	name: string;
	started: string;
	dates: string;
}

export interface Refusal {
	field: string;
	why: string;
	remedy: string;
	fixes?: Fix[];
}

/** One change of the set that makes it work. */
export interface Fix {
	field: string;
	value: string;
	also?: Fix[];
}

/** What the tries with the set as it is say of its trim. */
export interface SweepView {
	tries: number;
	done: number;
	at_ms: number;
	words: string;
}

export interface Tuning {
	step: string;
	trim_ms: number;
	sure: number;
	line: string;
	words: string;
	facts: Fact[];
	strip: string;
	/** Another trim of the gap is likely to be better; null: none, or the set has no such trim. */
	gap: GapTuning | null;
}

/** The trim of the gap to make the next try with. */
export interface GapTuning {
	trim_ms: number;
	sure: number;
}

export interface Fact {
	name: string;
	text: string;
}

/** The next shot: times in ms from the clock edge. */
export interface Preview {
	delay_ms: number;
	delay_low_ms: number;
	delay_high_ms: number;
	from_go: boolean;
	/** Probability that a first shot's moment is in the band; 0: the band is of the throws accepted. */
	within: number;
	speed_m_s: number;
	summary: string;
	marks: Mark[];
	bars: BarView[];
	budget: Term[];
	advice: string[];
	places: string;
	table: TablePoint[];
}

export interface Mark {
	name: string;
	at_ms: number;
}

export interface BarView {
	name: string;
	from_ms: number;
	to_ms: number;
	opening: boolean;
	/** How long a flash is lit, not how long its contact is closed. */
	light: boolean;
}

export interface Term {
	name: string;
	ms: number;
	mm: number;
	steady: boolean;
}

export interface TablePoint {
	interval_ms: number;
	delay_ms: number;
}

export interface Room {
	busy: boolean;
	seen: string;
	/** A value of rooms. */
	in: string;
	rooms: Choice[];
	/** Unix ms when the next thing is let go by itself; 0: it is not. */
	next_at: number;
	paces: number[];
	pace_says: string;
}

export type Verdict = "" | "early" | "good" | "late" | "nothing there" | "too high" | "too low";
export type Picture = "" | "blurred" | "black";

export interface ShotView {
	id: number;
	number: number;
	at: string;
	dated: string;
	status: string;
	ok: boolean;
	problem: string;
	late_ms: number;
	simulated: boolean;
	interval_ms: number | null;
	delay_ms: number;
	kind: Kind | "";
	aimed: boolean;
	trim_ms: number;
	speed_m_s: number | null;
	cues: CueView[];
	seen: string;
	frame: string;
	verdict: Verdict;
	note: string;
	star: boolean;
	picture: Picture;
	/** The camera's frame of it is kept, small: below /record/frames/, by its ID. */
	framed: boolean;
	file: number;
	/** null: none, or not known yet. */
	camera: FrameView | null;
	/** Something moves along a path at the moment: how far it is past its place in the picture says how late that was. */
	measurable: boolean;
	/** So far it was measured to be; null: not measured. */
	past_mm: number | null;
	past_sd_mm: number | null;
	/** Of the path there, above level, in the way that is thrown. */
	path_deg: number;
	/** Width of a practice shot's picture; 0: not known. */
	field_mm: number;
}

export interface CueView {
	name: string;
	planned_ms: number;
	actual_ms: number;
	late_us: number;
}

export type Kind = "drop" | "throw" | "sound" | "drops";
export type Exposure = "flash-in-dark" | "lag-led";
export type ShutterBy = "auto" | "edge" | "go" | "hand";

/** Quantities are strings with their unit: "40 cm". */
export interface Set {
	kind: Kind;
	drop: DropSet;
	throw: ThrowSet;
	sound: SoundSet;
	drops: DropsSet;
	beam: Slit;
	light: LightSet;
	trim: TrimSet;
	camera: Camera;
	flash: Flash;
	room: Ambient;
	background: Background;
}

export interface Camera {
	aperture: string;
	iso: string;
	shutter: string;
	focal: string;
	distance: string;
	widest: string;
	narrowest: string;
	nearest: string;
	sensor: string;
	sensor_height: string;
	pixels: number;
	turn: string;
	print: string;
	max_blur: string;
	field_seen: string;
}

export interface Flash {
	guide: string;
	power: string;
	distance: string;
	loss: string;
	units: number;
	others: string;
	reading: string;
	seen: string;
	control: string;
	duration: string;
	measured: string;
	figures: string;
	smear: string;
}

export interface Ambient {
	by: string;
	ev: string;
	frame_open: string;
	frame_seen: string;
	margin: string;
}

export interface Background {
	distance: string;
	width: string;
	reading: string;
	reflects: string;
	seen: string;
	rim: string;
	black_width: string;
}

export interface TrimSet {
	drop: string;
	throw: string;
	sound: string;
	drops: string;
}

export interface DropSet {
	height: string;
	beam: string;
	nozzle: string;
	diameter: string;
	liquid: string;
	phase: string;
	pool_depth: string;
	/** One of the liquids, or "same". */
	pool_liquid: string;
	nth: number;
}

export interface ThrowSet {
	gate: string;
	to_focus: string;
	angle: string;
	speed_low: string;
	speed_high: string;
	mass: string;
	/** Of a sheet that is thrown; "0 m": it keeps together like a ball. */
	thickness: string;
	/** Of its ragged leading edge as measured, standard deviation; "0 m": it was not. */
	edge: string;
	above_floor: string;
	beam_height: string;
}

/** Of a beam's heads: along the fall or the throw, and across it. */
export interface Slit {
	slit: string;
	width: string;
}

export interface SoundSet {
	distance: string;
	temperature: string;
	after: string;
}

/** Drops on command. */
export interface DropsSet {
	count: number;
	first: Opening;
	second: Opening;
	third: Opening;
	gap_trim: string;
	height: string;
	beam: string;
	from: string;
	tip: string;
	bore: string;
	head: string;
	discharge: string;
	opens: string;
	closes: string;
	weighed: string;
	liquid: string;
	/** One of the liquids, or "same". */
	pool_liquid: string;
	pool_depth: string;
	want: string;
	phase: string;
	meet: string;
	column: string;
	column_height: string;
	/** From contact until it is highest, if measured; "0 s": estimated. */
	column_time: string;
	sheet: string;
}

export interface Opening {
	valve: number;
	open: string;
	gap: string;
}

export interface LightSet {
	expose: Exposure;
	shutter: ShutterBy;
	lag: string;
	lag_scatter: string;
	open_for: string;
	recycle: string;
}

export type CommandType =
	"take" | "give" | "release" | "care" | "evening" | "set" | "session" | "arm" | "disarm" | "go" | "room" | "verdict" | "note"
	| "pulse" | "page" | "clock" | "star" | "picture" | "file" | "rename" | "again"
	| "match" | "unmatch" | "reference" | "black" | "spot" | "ruler" | "accept" | "unaccept" | "enter" | "sweep" | "measure" | "lag" | "uselag" | "places" | "threshold" | "touch" | "prime";

/** What a phone asks for. Type says which of the other fields matter. */
export interface Command {
	type: CommandType;
	to?: string;
	id?: string;
	ticked?: boolean;
	field?: string;
	value?: string;
	name?: string;
	shots?: number;
	delay_s?: number;
	repeat_s?: number;
	pace_s?: number;
	dry?: boolean;
	shot?: number;
	verdict?: Verdict;
	text?: string;
	session?: number;
	number?: number;
	from_right?: boolean;
	x?: number;
	y?: number;
	x2?: number;
	y2?: number;
	star?: boolean;
	picture?: Picture;
	file?: number;
	output?: string;
	input?: string;
	level?: number;
	from_ms?: number;
	to_ms?: number;
	step_ms?: number;
	each?: number;
	shuffled?: boolean;
	past_mm?: number;
	past_sd_mm?: number;
	hidden?: boolean;
	now?: number;
	epoch?: number;
}

/** Phone to machine: a command and the phone's own number for it. */
export interface Request extends Command {
	n: number;
}

/** Machine to phone. The first message is the whole snapshot; after it come the fields that changed. */
export type Message =
	| { type: "snapshot"; you: string; snapshot: Snapshot }
	| { type: "changed"; snapshot: Partial<Snapshot> }
	| { type: "refused"; re: number; refusal: Refusal }
	| { type: "done"; re: number }
	| { type: "heartbeat" };

// What the machine answers to GET /radio and /record/..., of which the interfaces mirror internal/page. Names, notes and the like
// are as a person wrote them: they are shown as text.

/** /radio */
export interface RadioView {
	country: string;
	problem: string;
	countries: string[];
}

/** /record/sessions?words=&after=&limit= */
export interface PastSessions {
	sessions: PastSession[];
	next: number;
	found: number;
	problem: string;
}

export interface PastSession {
	id: number;
	title: string;
	name: string;
	started: string;
	dated: string;
	board: string;
	kinds: string[];
	shots: number;
	verdicts: VerdictCount[];
	matches: number[];
	damaged: string;
}

export interface VerdictCount {
	verdict: Verdict;
	shots: number;
}

/** /record/sessions/ID */
export interface Evening {
	session: PastSession;
	set: SetValue[];
	set_problem: string;
	elevation: string;
	summed: number;
	uncounted: number;
	keepers: number;
	kinds: KindTries[];
}

export interface SetValue {
	field: string;
	text: string;
	used: boolean;
}

export interface KindTries {
	kind: Kind;
	axis: string;
	count: number;
	tries: TryView[];
	best: BestView | null;
	why: string;
	strip: string;
	facts: Fact[];
}

export interface TryView {
	number: number;
	at_ms: number;
	verdict: Verdict;
	counted: boolean;
	/** Its picture was. */
	measured: boolean;
}

export interface BestView {
	at_ms: number;
	good: number;
	tries: number;
}

/** /record/sessions/ID/shots?before=&limit= */
export interface PastShots {
	shots: ShotView[];
	next: number;
	lost: number[];
}

/** /record/again?session= or ?shot=: what would change in the next shot. */
export interface SetAgain {
	changes: SetChange[];
	refused: Refusal[];
	missing: string[];
	unknown: string[];
}

export interface SetChange {
	field: string;
	from: string;
	to: string;
}

/** PUT /camera/SESSION/file?name=&size=&modified=&at=&key=&check=&again= */
export interface ReceivedPart {
	have: number;
	/** Names the file in the address of its next parts; "" it needs none. */
	key: string;
	/** Its copy was there, and gave way to others. */
	gone: boolean;
	waits: boolean;
	refusal: Refusal | null;
}

/** /camera/SESSION */
export interface CameraView {
	frames: CameraFrame[];
	problems: string[];
	/** A copy that cannot be read may be damaged. */
	damaged: boolean;
	certain: number;
	likely: number;
	open: number;
	busy: string;
	waits: boolean;
	/** What was said of which shot a frame is waits to be matched. */
	matching: boolean;
	changed: CameraChange | null;
	clashes: CameraClash[];
	kept: string;
	empty: string;
	width: string;
	/** The frame with the flash off, by which the room is judged; "" none. */
	black: string;
	/** What that says; null: nothing. */
	room: CameraRoom | null;
	field_seen: string;
	spot: CameraPoint | null;
	ruler: CameraRuler | null;
	from_right: boolean;
	/** Something moves along a path: the delay can be learned from frames. */
	moves: boolean;
	lesson: CameraLesson | null;
	/** Measurements from frames. */
	on_record: number;
}

/** What the black frame says of the room's light. */
export interface CameraRoom {
	open: string;
	seen: string;
	margin_stops: number | null;
	words: string;
}

/** Shares of a frame's width and height, from its top left. */
export interface CameraPoint {
	x: number;
	y: number;
}

export interface CameraRuler {
	name: string;
	x: number;
	y: number;
	x2: number;
	y2: number;
	length: string;
}

export interface CameraChange {
	words: string;
	others: number;
	/** It took back what was said before. */
	back: boolean;
}

/** Two things that were said and cannot both be. */
export interface CameraClash {
	words: string;
	frames: string[];
	shots: number[];
}

export interface CameraFrame {
	name: string;
	/** Changes with its files, and so with its picture. */
	version: string;
	taken: string;
	/** Its number; of one that is open the best guess; 0: none. */
	shot: number;
	shot_id: number;
	sure: string;
	settled: boolean;
	pictured: boolean;
	width: number;
	height: number;
	number: number;
	verdict: Verdict;
	says: string[];
	next: string[];
}

export interface CameraLesson {
	measured: number;
	waiting: number;
	trim_ms: number;
	low_ms: number;
	high_ms: number;
	words: string;
}
