#include "host.h"

#include <avr/pgmspace.h>
#include <stdbool.h>
#include <util/atomic.h>

#include "board.h"
#include "inputs.h"
#include "link.h"
#include "outputs.h"
#include "timebase.h"
#include "wire.h"

/* The version of the firmware: the host finds it in the image by its first word. */
static const char name[16] PROGMEM = "m328p 1.3";

struct input_pin {
	uint8_t kind, active_high;
	char name[16];
};

struct output_pin {
	uint8_t kind;
	char name[16];
};

static const struct input_pin input_pins[INPUTS] PROGMEM = {
	[IN_GATE] = { BEAM, 0, "gate" },
	[IN_BEAM] = { BEAM, 0, "beam" },
	[IN_MICROPHONE] = { MICROPHONE, 1, "microphone" },
	[IN_SYNC] = { SYNC_RETURN, 0, "sync" },
	[IN_KILL] = { KILL, 1, "kill" },
	[IN_BUTTON] = { BUTTON, 0, "button" },
};

static const struct output_pin output_pins[OUTPUTS] PROGMEM = {
	[OUT_SHUTTER] = { SHUTTER, "shutter" }, [OUT_FOCUS] = { FOCUS, "focus" },  [OUT_FLASH1] = { FLASH, "flash1" },
	[OUT_FLASH2] = { FLASH, "flash2" },     [OUT_VALVE1] = { VALVE, "valve1" }, [OUT_VALVE2] = { VALVE, "valve2" },
};

/* Each kind of report of an input comes once in 50 ms at most: 49 ticks of the sampler are 50.96 ms. */
enum { WINDOW = 49, OF_EDGE = 0, OF_REJECTED, OF_LOST, KINDS };
static uint8_t window[INPUTS][KINDS];

static uint8_t level_in = WINDOW;
static uint8_t sent_mode, sent_reason;
static uint8_t reset_cause;
static uint32_t boot_id, heard;
static bool testing;
static uint8_t tested;

static void put_name(struct message *m, const char *at)
{
	for (uint8_t i = 0; i < 16; i++)
		put8(m, pgm_read_byte(at + i));
}

void report_identity(void)
{
	struct message *m = link_begin(IDENTITY);
	put8(m, 2); /* version of the protocol */
	put8(m, reset_cause);
	put32(m, boot_id);
	put32(m, TICK_HZ);
	put32(m, LEAD);
	put32(m, EDGE_LEAD);
	put32(m, GATE_LEAD);
	put32(m, SAFE_WITHIN);
	put8(m, INPUTS);
	put8(m, OUTPUTS);
	put8(m, MAX_TABLE);
	put8(m, MAX_CUES);
	put_name(m, name);
	link_send();
}

void report_input(uint8_t index)
{
	struct message *m = link_begin(INPUT);
	put8(m, index);
	put8(m, pgm_read_byte(&input_pins[index].kind));
	put8(m, pgm_read_byte(&input_pins[index].active_high));
	put_name(m, input_pins[index].name);
	link_send();
}

void report_output(uint8_t index)
{
	struct message *m = link_begin(OUTPUT);
	put8(m, index);
	put8(m, pgm_read_byte(&output_pins[index].kind));
	put32(m, max_on[index]);
	put_name(m, output_pins[index].name);
	link_send();
}

void report_state_again(void)
{
	struct message *m = link_begin(STATE);
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		put8(m, sent_mode);
		put8(m, sent_reason);
		put16(m, board.left);
		put8(m, board.levels);
		put8(m, outputs_on);
		put32(m, now());
		put16(m, board.bounced);
		put16(m, board.lost);
	}
	link_send();
}

void report_state(uint8_t mode, uint8_t reason)
{
	sent_mode = mode;
	sent_reason = reason;
	report_state_again();
}

void report_ready(void)
{
	report_state(ARMED, board.must_go && !board.opened ? NOT_OPENED : NO_REASON);
}

void report_start(uint8_t reset, uint32_t boot)
{
	reset_cause = reset;
	boot_id = boot;
	report_identity();
	bool killed;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		killed = board_killed();
		if (killed)
			board_fault(KILL_INPUT, IN_KILL, now());
	}
	if (!killed)
		report_state(SAFE, NO_REASON);
}

void report_testing(uint8_t output)
{
	tested = output;
	testing = true;
}

void report_heard(uint32_t t)
{
	heard = t;
}

static void report_cue(uint8_t i)
{
	uint32_t on = pulses[i].on;
	struct message *m = link_begin(CUE);
	put16(m, testing ? 0 : board.shot.number);
	put8(m, i % MAX_CUES);
	if (testing) {
		put8(m, tested);
		put8(m, 0);
		put32(m, on);
	} else {
		uint32_t from = i < MAX_CUES ? board.shot.clock + board.shot.delay : board.base;
		const uint8_t *spec = cue_spec(&board.program, i);
		put8(m, spec[0]);
		put8(m, i >= MAX_CUES);
		put32(m, from + get32(spec + CUE_OFFSET));
		board.shot.cues++;
	}
	put32(m, on);
	put32(m, pulses[i].off);
	link_send();
}

static void report_cues(void)
{
	uint16_t ended;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		ended = pulses_ended;
	}
	for (uint8_t i = 0; ended; i++, ended >>= 1) {
		if (!(ended & 1))
			continue;
		report_cue(i);
		ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
		{
			pulses_ended &= ~(1U << i);
		}
	}
}

/* next_shot advances to the next number, which is never 0. */
static void next_shot(void)
{
	board.opened = false;
	board.accepted = false;
	if (++board.shot.number == 0)
		board.shot.number = 1;
	board.shot.cues = 0;
	board.shot.bounced = 0;
}

/* end_shot sends the one Shot message of an accepted shot, and advances to the next. */
static void end_shot(uint8_t status)
{
	struct message *m = link_begin(SHOT);
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		put16(m, board.shot.number);
		put8(m, status);
		put8(m, board.shot.cues);
		put32(m, board.shot.gate);
		put32(m, board.shot.clock);
		put32(m, board.shot.delay);
		put16(m, board.shot.bounced);
		if (board.left > 0)
			board.left--;
		next_shot();
	}
	link_send();
}

static void end_opening(void)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		next_shot();
	}
}

/* report_late reports an aborted shot or opening. */
static void report_late(void)
{
	if (board.accepted) {
		end_shot(SHOT_LATE);
		report_state(RESTING, LATE);
		return;
	}
	struct message *m = link_begin(REJECTED);
	put8(m, LATE);
	put8(m, NO_INPUT);
	put16(m, 1);
	put32(m, board.planned);
	put32(m, board.lateness);
	link_send();
	end_opening();
	report_ready();
}

/* cut_short reports what was cut short. */
static void cut_short(uint8_t status)
{
	report_cues();
	testing = false;
	if (board.accepted)
		end_shot(status);
	else if (board.opened)
		end_opening();
}

void report_stopped(void)
{
	cut_short(DISARMED);
}

static void report_fault(void)
{
	uint8_t reason = board.fault;
	cut_short(reason == KILL_INPUT ? KILLED : reason == LINK_TIMEOUT ? SHOT_LINK_TIMEOUT : ABORTED);
	struct message *m = link_begin(FAULT);
	put8(m, reason);
	put32(m, board.fault_detail);
	put32(m, board.fault_at);
	link_send();
	report_state(reason == LINK_TIMEOUT ? SAFE : FAULTED, reason);
}

/* take_event returns and clears an event. */
static bool take_event(uint8_t what)
{
	bool was;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		was = board.events & what;
		board.events &= (uint8_t)~what;
	}
	return was;
}

static bool is_pending(uint8_t what)
{
	bool is;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		is = board.events & what;
	}
	return is;
}

/* window_over says whether no edge of this Go can be the nth any more, once its pulses are over. */
static bool window_over(uint32_t t)
{
	const struct program *p = &board.program;
	return p->gate != NO_INPUT || before(board.base + p->gate_max, t);
}

/* finish ends a shot, an opening or a test whose pulses are all over. */
static void finish(void)
{
	bool fired = false, closed = false;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		if (!board.events && !outputs_busy()) {
			fired = board.mode == FIRING;
			closed = board.mode == ARMED && board.opened && window_over(now());
			testing = false;
			if (fired && before(board.rest_end, now()))
				board.rest_end = now();
			if (fired)
				board.mode = RESTING;
			if (closed) {
				board.gate.set = false;
				board.count = 0;
				next_shot();
			}
		}
	}
	if (fired) {
		end_shot(DONE);
		report_state(RESTING, NO_REASON);
	}
	if (closed)
		report_ready();
}

static void report_edges(uint8_t i, const struct input_report *s)
{
	struct message *m = link_begin(EDGE);
	put8(m, i);
	put8(m, s->high);
	put16(m, s->edges);
	put32(m, s->at);
	link_send();
}

static void report_rejected(uint8_t i, const struct input_report *s)
{
	struct message *m = link_begin(REJECTED);
	put8(m, s->reason);
	put8(m, i);
	put16(m, s->rejected);
	put32(m, s->rejected_at);
	put32(m, s->interval);
	link_send();
}

static void report_lost(uint8_t i, const struct input_report *s)
{
	struct message *m = link_begin(LOST);
	put8(m, i);
	put32(m, s->lost);
	put32(m, s->lost_at);
	link_send();
}

/* due says whether there is a report and its window permits it, and begins a new window. */
static bool due(uint8_t *left, bool some)
{
	if (*left > 0 || !some)
		return false;
	*left = WINDOW;
	return true;
}

/* report_pending_input reports what an input did, as far as its windows permit; true when that was all. */
static bool report_pending_input(uint8_t i)
{
	struct input_report s, *from = &board.reports[i];
	uint8_t *w = window[i];
	bool edges, rejected, lost;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		s = *from;
		edges = due(&w[OF_EDGE], s.edges > 0);
		rejected = due(&w[OF_REJECTED], s.rejected > 0);
		lost = due(&w[OF_LOST], s.lost > 0);
		if (edges)
			from->edges = 0;
		if (rejected)
			from->rejected = 0;
		if (lost)
			from->lost = 0;
	}
	if (edges)
		report_edges(i, &s);
	if (rejected)
		report_rejected(i, &s);
	if (lost)
		report_lost(i, &s);
	return (edges || !s.edges) && (rejected || !s.rejected) && (lost || !s.lost);
}

/* report_inputs reports for inputs with something pending: at once if their windows permit, else after a
 * millisecond. */
static void report_inputs(bool tick)
{
	static uint8_t waiting;
	uint8_t reporting;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		reporting = board.reporting;
		board.reporting = 0;
	}
	uint8_t look = tick ? reporting | waiting : reporting & (uint8_t)~waiting;
	waiting |= reporting;
	for (uint8_t i = 0, bit = 1; i < INPUTS; i++, bit <<= 1)
		if (look & bit && report_pending_input(i))
			waiting &= (uint8_t)~bit;
}

void report(void)
{
	board_look_up_delay();
	if (take_event(EVENT_ARMED)) {
		if (board.next_mode == ARMED)
			report_ready();
		else
			report_state(SAFE, SHOTS_DONE);
	}
	if (take_event(EVENT_FIRING))
		report_state(FIRING, NO_REASON);
	report_cues();
	if (is_pending(EVENT_LATE)) {
		report_late();
		take_event(EVENT_LATE);
	}
	if (is_pending(EVENT_FAULT)) {
		report_fault();
		take_event(EVENT_FAULT);
	}
	finish();
	report_inputs(false);
}

static void count_down(uint8_t *left, uint8_t n)
{
	*left = *left > n ? *left - n : 0;
}

static void report_level(void)
{
	struct message *m = link_begin(LEVEL);
	put8(m, IN_MICROPHONE);
	put16(m, microphone_peak());
	put32(m, now_atomic());
	link_send();
}

void report_tick(uint8_t n)
{
	for (uint8_t i = 0; i < INPUTS; i++)
		for (uint8_t k = 0; k < KINDS; k++)
			count_down(&window[i][k], n);
	report_inputs(true);
	count_down(&level_in, n);
	if (level_in == 0 && link_ready(4)) {
		level_in = WINDOW;
		report_level();
	}
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		uint32_t t = now();
		board_expire_stamps(t);
		board_end_rest(t);
		if ((board_armed() || outputs_on) && t - heard >= TICK_HZ)
			board_fault(LINK_TIMEOUT, 0, t);
	}
}
