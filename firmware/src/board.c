#include "board.h"

#include <util/atomic.h>

#include "inputs.h"
#include "link.h"
#include "outputs.h"
#include "timebase.h"
#include "wire.h"

struct board board;
volatile uint8_t work_pending;

static uint16_t add16(uint16_t a, uint16_t b)
{
	uint16_t sum = a + b;
	return sum < a ? UINT16_MAX : sum;
}

static void post(uint8_t what)
{
	board.events |= what;
	board_wake();
}

static void bounce(void)
{
	board.bounced = add16(board.bounced, 1);
	board.shot.bounced = add16(board.shot.bounced, 1);
}

static void reject(uint8_t reason, uint8_t input, uint32_t at, uint32_t interval)
{
	struct input_report *s = &board.reports[input];
	s->rejected = add16(s->rejected, 1);
	s->reason = reason;
	s->rejected_at = at;
	s->interval = interval;
	board.reporting |= (uint8_t)(1U << input);
	board_wake();
}

/* reject_reason is why an edge with this stamp cannot begin a shot, or NO_REASON. */
static uint8_t reject_reason(uint32_t at)
{
	if (board.mode == FIRING)
		return BUSY;
	if (board.mode == RESTING)
		return IS_RESTING;
	if (board.must_go && !board.opened)
		return NOT_OPENED;
	if (board.not_before.set && before(at, board.not_before.at))
		return board.early_reason;
	return NO_REASON;
}

/* held_off says whether an edge falls into the hold-off of the one before; if not, it begins a new hold-off. */
static bool held_off(uint8_t input, uint32_t at)
{
	struct stamp *h = &board.hold[input];
	if (h->set && (int32_t)(at - h->at) < (int32_t)board.program.hold_off)
		return true;
	h->at = at;
	h->set = true;
	return false;
}

static void gate_edge(uint32_t at)
{
	struct stamp *g = &board.gate;
	if (g->set && (int32_t)(at - g->at) <= (int32_t)board.program.gate_max) {
		bounce();
		return;
	}
	g->at = at;
	g->set = true;
}

/* gated_clock_edge consumes the gate. An interval in range is passed to the main loop, which reads the table. */
static void gated_clock_edge(uint8_t input, uint32_t at)
{
	const struct program *p = &board.program;
	bool set = board.gate.set;
	int32_t interval = (int32_t)(at - board.gate.at);
	board.gate.set = false;
	if (!set || interval < 0 || interval > 2 * (int32_t)p->gate_max)
		reject(NO_GATE, input, at, 0);
	else if (interval < (int32_t)p->gate_min)
		reject(TOO_FAST, input, at, (uint32_t)interval);
	else if (interval > (int32_t)p->gate_max)
		reject(TOO_SLOW, input, at, (uint32_t)interval);
	else {
		board.shot.gate = board.gate.at;
		board.shot.clock = at;
		board.interval = (uint32_t)interval;
		board.mode = FIRING;
		post(EVENT_LOOKUP);
	}
}

/* counted_clock_edge counts. Outside a window's times no edge is the nth. */
static void counted_clock_edge(uint8_t input, uint32_t at, uint32_t t)
{
	const struct program *p = &board.program;
	if (board.count + 1U < p->nth) {
		board.count++;
		reject(NOT_NTH, input, at, board.count);
		return;
	}
	int32_t since_go = (int32_t)(at - board.base);
	if (p->gate_max > 0 && since_go < (int32_t)p->gate_min)
		reject(TOO_FAST, input, at, since_go > 0 ? (uint32_t)since_go : 0);
	else if (p->gate_max > 0 && since_go > (int32_t)p->gate_max)
		reject(TOO_SLOW, input, at, (uint32_t)since_go);
	else
		board_accept(t, at, at, first_delay(p));
}

/* handle_edge handles an edge of the program's clock or gate; t is now. */
static void handle_edge(uint8_t input, uint32_t at, uint32_t t)
{
	if (board.mode == RESTING)
		board_end_rest(t);
	if (!board_armed())
		return;
	if (held_off(input, at)) {
		bounce();
		return;
	}
	uint8_t reason = reject_reason(at);
	if (reason != NO_REASON)
		reject(reason, input, at, 0);
	else if (input == board.program.gate)
		gate_edge(at);
	else if (board.program.gate != NO_INPUT)
		gated_clock_edge(input, at);
	else
		counted_clock_edge(input, at, t);
}

void board_edge(uint8_t input, bool high, uint32_t at)
{
	link_poll();
	if (kill_waits())
		outputs_off();
	uint8_t bit = (uint8_t)(1U << input);
	if (high)
		board.levels |= bit;
	else
		board.levels &= (uint8_t)~bit;
	if (board_armed()) {
		const struct program *p = &board.program;
		if ((input == p->clock && high == p->clock_high) || (input == p->gate && high == p->gate_high))
			handle_edge(input, at, now());
	}
	if (input == IN_KILL && high)
		board_fault(KILL_INPUT, IN_KILL, at);
	struct input_report *s = &board.reports[input];
	if (s->edges < UINT16_MAX)
		s->edges++;
	s->high = high;
	s->at = at;
	board.reporting |= bit;
	board_wake();
}

void board_lost(uint8_t input, uint8_t n, bool bounced)
{
	struct input_report *s = &board.reports[input];
	s->lost += n;
	s->lost_at = now();
	board.lost = add16(board.lost, n);
	board.reporting |= (uint8_t)(1U << input);
	board_wake();
	if (input == IN_KILL)
		board_fault(KILL_INPUT, IN_KILL, s->lost_at);
	if (board.mode != ARMED || (input != board.program.clock && input != board.program.gate))
		return;
	if (bounced && board.program.hold_off > MASK_TICKS)
		return;
	if (board.gate.set || board.count > 0)
		reject(LOST_EDGES, input, s->lost_at, 0);
	board.gate.set = false;
	board.count = 0;
}

void board_accept(uint32_t t, uint32_t gate, uint32_t clock, uint32_t delay)
{
	const struct program *p = &board.program;
	uint32_t moment = clock + delay;
	board.gate.set = false;
	board.count = 0;
	board.mode = FIRING;
	board.accepted = true;
	board.shot.gate = gate;
	board.shot.clock = clock;
	board.shot.delay = delay;
	board.rest_end = moment + p->rest;
	if (before(moment + (uint32_t)p->earliest, t + SOONEST)) {
		board_late(moment);
		return;
	}
	post(EVENT_FIRING);
	outputs_plan(p, 0, moment);
}

void board_look_up_delay(void)
{
	uint32_t interval = 0;
	bool waits;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		waits = board.events & EVENT_LOOKUP;
		interval = board.interval;
	}
	if (!waits)
		return;
	uint32_t delay = delay_for(&board.program, interval);
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		if (board.events & EVENT_LOOKUP) { /* nothing ended it meanwhile */
			board.events &= (uint8_t)~EVENT_LOOKUP;
			board_accept(now(), board.shot.gate, board.shot.clock, delay);
		}
	}
}

void board_late(uint32_t planned)
{
	uint32_t t = now();
	outputs_off();
	board.planned = planned;
	board.lateness = t - planned;
	if (board.mode == FIRING) {
		board.mode = RESTING;
		if (before(board.rest_end, t))
			board.rest_end = t;
	} else {
		board.opened = false;
		board.gate.set = false;
		board.count = 0;
	}
	post(EVENT_LATE);
}

/* clear_run clears the state of an armed board, and what of it is still to be reported: after the end of the run it would
 * be taken for news. */
static void clear_run(void)
{
	board.events &= (uint8_t)~(EVENT_LOOKUP | EVENT_LATE | EVENT_FIRING | EVENT_ARMED);
	board.left = 0;
	board.gate.set = false;
	board.count = 0;
	board.not_before.set = false;
	for (uint8_t i = 0; i < INPUTS; i++)
		board.hold[i].set = false;
}

void board_fault(uint8_t reason, uint32_t detail, uint32_t at)
{
	outputs_off();
	if (board.mode == FAULTED)
		return;
	board.mode = reason == LINK_TIMEOUT ? SAFE : FAULTED;
	board.fault = reason;
	board.fault_detail = detail;
	board.fault_at = at;
	clear_run();
	post(EVENT_FAULT);
}

void board_disarm(uint8_t mode)
{
	outputs_off();
	board.mode = mode;
	clear_run();
}

void board_end_rest(uint32_t t)
{
	if (board.mode != RESTING || board.accepted || board.events || before(t, board.rest_end))
		return;
	if (board.left == 0) {
		outputs_off();
		board.mode = SAFE;
		clear_run();
	} else {
		board.mode = ARMED;
		board.not_before.at = board.rest_end;
		board.not_before.set = true;
		board.early_reason = IS_RESTING;
	}
	board.next_mode = board.mode;
	post(EVENT_ARMED);
}

static void expire(struct stamp *s, uint32_t t)
{
	if (s->set && (int32_t)(t - s->at) > (int32_t)(1UL << 30))
		s->set = false;
}

void board_expire_stamps(uint32_t t)
{
	expire(&board.gate, t);
	expire(&board.not_before, t);
	for (uint8_t i = 0; i < INPUTS; i++)
		expire(&board.hold[i], t);
}
