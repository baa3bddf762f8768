#include "outputs.h"

#include <avr/interrupt.h>

#include "board.h"
#include "inputs.h"
#include "link.h"
#include "timebase.h"
#include "wire.h"

/* A compare unit. Registers of the three timers are laid out alike, bits too. */
struct unit {
	volatile uint8_t *control; /* TCCRnA: COMnx1 stays set, COMnx0 says what a match does: 1 on, 0 off */
	volatile uint8_t *force;   /* where FOCnx is */
	volatile uint8_t *compare; /* OCRnx, low byte */
	volatile uint8_t *flags;   /* TIFRn */
	volatile uint8_t *mask;    /* TIMSKn */
	uint8_t set, strobe, flag;
	bool wide; /* 16 bits */
};

enum { SET_A = _BV(COM0A0), SET_B = _BV(COM0B0), STROBE_A = _BV(FOC0A), STROBE_B = _BV(FOC0B),
	FLAG_A = _BV(OCF0A), FLAG_B = _BV(OCF0B) };

#define UNIT(n, x, force_register, is_wide) \
	{ &TCCR##n##A, &force_register, (volatile uint8_t *)&OCR##n##x, &TIFR##n, &TIMSK##n, SET_##x, STROBE_##x, \
		FLAG_##x, is_wide }

/* The output pins of pins.h are those of these units. */
static const struct unit units[OUTPUTS] = {
	[OUT_SHUTTER] = UNIT(1, B, TCCR1C, true), [OUT_FOCUS] = UNIT(2, B, TCCR2B, false),
	[OUT_FLASH1] = UNIT(1, A, TCCR1C, true),  [OUT_FLASH2] = UNIT(0, A, TCCR0B, false),
	[OUT_VALVE1] = UNIT(0, B, TCCR0B, false), [OUT_VALVE2] = UNIT(2, A, TCCR2B, false),
};

const uint32_t max_on[OUTPUTS] = {
	[OUT_SHUTTER] = MAX_ON_SHUTTER, [OUT_FOCUS] = MAX_ON_FOCUS, [OUT_FLASH1] = MAX_ON_FLASH1,
	[OUT_FLASH2] = MAX_ON_FLASH2,   [OUT_VALVE1] = MAX_ON_VALVE1, [OUT_VALVE2] = MAX_ON_VALVE2,
};

/* The stage of a channel's next edge. An 8-bit unit matches each 128 us: from NEAR on each match checks whether the
 * next is the right one. */
enum { IDLE, FAR, NEAR, SET };

struct channel {
	uint8_t stage;
	uint8_t pulse;
	bool on;
	uint32_t at;    /* of the next edge */
	uint32_t since; /* on since */
	uint32_t width; /* of the pulse */
};

static struct channel channels[OUTPUTS];
static const struct program *program; /* NULL: a test pulse */
static uint32_t bases[2];             /* what the offsets of cues and opening cues count from */

struct pulse pulses[PULSES];
volatile uint16_t pulses_ended;
volatile uint8_t outputs_on;
volatile uint8_t outputs_awake;

/* Ticks ahead at which a far edge is given to its unit. Checked each millisecond. */
#define NEAR_TICKS ((uint16_t)US(2300))
/* Ticks that arming a unit takes at most, after the check that there is time: the trials would miss pulses if it
 * took longer. */
#define SETUP_TICKS 10
/* Ticks from one match of an 8-bit unit to the next. */
#define WRAP_TICKS 256

#define INLINE static inline __attribute__((always_inline))

enum { OFF_BOTH = _BV(COM0A1) | _BV(COM0B1), STROBE_BOTH = STROBE_A | STROBE_B, FLAG_BOTH = FLAG_A | FLAG_B };

static void pins_off(void)
{
	TCCR1A = OFF_BOTH;
	TCCR1C = STROBE_BOTH;
	TCCR0A = OFF_BOTH;
	TCCR0B |= STROBE_BOTH;
	TCCR2A = OFF_BOTH;
	TCCR2B |= STROBE_BOTH;
}

void outputs_start(void)
{
	pins_off();
	DDR_OF(PIN_SHUTTER) |= BIT(PIN_SHUTTER);
	DDR_OF(PIN_FOCUS) |= BIT(PIN_FOCUS);
	DDR_OF(PIN_FLASH1) |= BIT(PIN_FLASH1);
	DDR_OF(PIN_FLASH2) |= BIT(PIN_FLASH2);
	DDR_OF(PIN_VALVE1) |= BIT(PIN_VALVE1);
	DDR_OF(PIN_VALVE2) |= BIT(PIN_VALVE2);
}

/* cancel ends a channel's pulses. Its last edge may be over and not yet recorded. */
static void cancel(struct channel *c, uint32_t off)
{
	if (c->stage == SET && !before(off, c->at)) {
		if (c->on)
			off = c->at;
		else
			pulses[c->pulse].on = c->at;
		c->on = true;
	}
	c->stage = IDLE;
	if (!c->on)
		return;
	c->on = false;
	pulses[c->pulse].off = off;
	pulses_ended |= 1U << c->pulse;
}

void outputs_off(void)
{
	uint32_t off = now();
	pins_off();
	TIMSK0 &= (uint8_t)~FLAG_BOTH;
	TIMSK1 &= (uint8_t)~FLAG_BOTH;
	TIMSK2 &= (uint8_t)~FLAG_BOTH;
	for (uint8_t i = 0; i < OUTPUTS; i++)
		cancel(&channels[i], off);
	outputs_on = 0;
}

/* next_pulse begins the next pulse of an output, or makes it idle. */
static void next_pulse(struct channel *c)
{
	uint8_t next = program ? program->next[c->pulse] : NONE;
	pulses_ended |= 1U << c->pulse;
	board_wake();
	if (next == NONE) {
		c->stage = IDLE;
		return;
	}
	c->stage = FAR;
	c->pulse = next;
	const uint8_t *spec = cue_spec(program, next);
	c->at = bases[next >= MAX_CUES] + get32(spec + CUE_OFFSET);
	c->width = get32(spec + CUE_WIDTH);
}

/* The functions below are instantiated for each output, with its unit constant: a common function takes three times
 * as long. */

/* edge_done records an output's edge, and finds its next one. */
INLINE void edge_done(uint8_t output, uint32_t when)
{
	struct channel *c = &channels[output];
	struct pulse *p = &pulses[c->pulse];
	*units[output].mask &= (uint8_t)~units[output].flag;
	if (c->on) {
		c->on = false;
		outputs_on &= (uint8_t)~(1U << output);
		p->off = when;
		next_pulse(c);
		return;
	}
	c->on = true;
	outputs_on |= (uint8_t)(1U << output);
	c->stage = FAR;
	c->since = when;
	p->on = when;
	c->at = when + c->width;
}

/* arm_match arms the next match to move the pin. */
INLINE void arm_match(uint8_t output)
{
	struct channel *c = &channels[output];
	if (c->on)
		*units[output].control &= (uint8_t)~units[output].set;
	else
		*units[output].control |= units[output].set;
	c->stage = SET;
}

/* force makes an edge that is due or overdue by software, and returns a tick that it was not after: a pulse that begins
 * now is counted from there, and so is never shorter than its width. It spins for the last ticks, so that none is early. */
static uint32_t force(uint8_t output)
{
	const struct unit *u = &units[output];
	while (before(now(), channels[output].at)) {
	}
	arm_match(output);
	*u->force |= u->strobe;
	return now() + 1;
}

/* overdue says whether a pulse would start later than the program allows, and aborts the shot if so. */
static bool overdue(const struct channel *c)
{
	int32_t lateness = (int32_t)(now() + SETUP_TICKS - c->at);
	if (c->on || !program || lateness <= (int32_t)program->late)
		return false;
	board_late(c->at);
	return true;
}

/* force_edge makes a channel's next edge by software, a little late, when it is too near for the compare unit.
 * False: it was later than the program allows, and the shot was aborted. */
static __attribute__((noinline)) bool force_edge(uint8_t output)
{
	if (overdue(&channels[output]))
		return false;
	edge_done(output, force(output));
	return true;
}

/* try_schedule gives a channel's next edge to its compare unit, whose interrupt is off, if there is time. */
INLINE bool try_schedule(uint8_t output)
{
	struct channel *c = &channels[output];
	const struct unit *u = &units[output];
	uint32_t left = c->at - now();
	if ((int32_t)left <= SETUP_TICKS)
		return false;
	if (left > NEAR_TICKS)
		return true;
	uint16_t near = (uint16_t)left;
	while (!u->wide && near > WRAP_TICKS && near <= WRAP_TICKS + SETUP_TICKS) /* a match just now would be ambiguous */
		near = (uint16_t)c->at - TCNT1;
	uint16_t match = (uint16_t)c->at - 1; /* the pin moves one tick after the match */
	if (u->wide)
		u->compare[1] = (uint8_t)(match >> 8);
	u->compare[0] = (uint8_t)match;
	*u->flags = u->flag;
	if (u->wide || near <= WRAP_TICKS)
		arm_match(output);
	else
		c->stage = NEAR;
	*u->mask |= u->flag;
	return true;
}

/* schedule schedules or makes a channel's far edge; false: the shot was aborted. */
INLINE bool schedule(uint8_t output)
{
	while (channels[output].stage == FAR && !try_schedule(output))
		if (!force_edge(output))
			return false;
	return true;
}

/* matched handles a match of a compare unit. */
INLINE void matched(uint8_t output)
{
	struct channel *c = &channels[output];
	if (c->stage == SET) {
		if (!units[output].wide && before(now(), c->at))
			return; /* the match of the round before, seen late */
		edge_done(output, c->at);
		schedule(output);
	} else if (c->stage == NEAR) {
		int32_t left = (int32_t)(c->at - now());
		if (left > WRAP_TICKS)
			return;
		if (left > SETUP_TICKS) {
			arm_match(output);
		} else {
			c->stage = FAR; /* this interrupt came a round late */
			schedule(output);
		}
	}
}

/* on_match handles a compare unit's interrupt. */
INLINE void on_match(uint8_t output)
{
	matched(output);
	link_poll();
}

/* Compare interrupts. Budget 500 cycles, measured 422. An edge is recorded and the next one scheduled; for 8-bit
 * units also, each 128 us in the last 2.3 ms before an edge, the check whether the next match is the right one. */
ISR(TIMER1_COMPA_vect)
{
	on_match(OUT_FLASH1);
}

ISR(TIMER1_COMPB_vect)
{
	on_match(OUT_SHUTTER);
}

ISR(TIMER0_COMPA_vect)
{
	on_match(OUT_FLASH2);
}

ISR(TIMER0_COMPB_vect)
{
	on_match(OUT_VALVE1);
}

ISR(TIMER2_COMPA_vect)
{
	on_match(OUT_VALVE2);
}

ISR(TIMER2_COMPB_vect)
{
	on_match(OUT_FOCUS);
}

/* schedule_output is schedule for an output known only at run time. */
static void schedule_output(uint8_t output)
{
	switch (output) {
	case OUT_SHUTTER:
		schedule(OUT_SHUTTER);
		break;
	case OUT_FOCUS:
		schedule(OUT_FOCUS);
		break;
	case OUT_FLASH1:
		schedule(OUT_FLASH1);
		break;
	case OUT_FLASH2:
		schedule(OUT_FLASH2);
		break;
	case OUT_VALVE1:
		schedule(OUT_VALVE1);
		break;
	case OUT_VALVE2:
		schedule(OUT_VALVE2);
		break;
	}
}

INLINE bool plan(uint8_t output, uint8_t pulse, uint32_t base)
{
	struct channel *c = &channels[output];
	if (pulse == NONE)
		return true;
	link_poll();
	if (kill_waits()) {
		outputs_off();
		return false;
	}
	const uint8_t *spec = cue_spec(program, pulse);
	c->pulse = pulse;
	c->stage = FAR;
	c->width = get32(spec + CUE_WIDTH);
	c->at = base + get32(spec + CUE_OFFSET);
	return schedule(output);
}

void outputs_plan(const struct program *p, uint8_t list, uint32_t base)
{
	const uint8_t *first = p->first[list];
	outputs_awake = 1;
	program = p;
	bases[list] = base;
	if (plan(OUT_FLASH1, first[OUT_FLASH1], base) && plan(OUT_FLASH2, first[OUT_FLASH2], base) &&
		plan(OUT_SHUTTER, first[OUT_SHUTTER], base) && plan(OUT_FOCUS, first[OUT_FOCUS], base) &&
		plan(OUT_VALVE1, first[OUT_VALVE1], base))
		plan(OUT_VALVE2, first[OUT_VALVE2], base);
}

void outputs_test(uint8_t output, uint32_t width)
{
	struct channel *c = &channels[output];
	outputs_awake = 1;
	program = NULL;
	c->pulse = 0;
	c->stage = FAR;
	c->width = width;
	c->at = now();
	schedule_output(output);
}

bool outputs_busy(void)
{
	for (uint8_t i = 0; i < OUTPUTS; i++)
		if (channels[i].stage != IDLE)
			return true;
	outputs_awake = 0;
	return pulses_ended != 0;
}

/* limit_on_time faults when an output has been on for its longest on-time, whatever is planned for it. */
static void limit_on_time(uint8_t output)
{
	struct channel *c = &channels[output];
	uint32_t t = now();
	int32_t over = (int32_t)(t - c->since - max_on[output]);
	if (over < 0)
		return;
	if (c->stage == IDLE || before(t, c->at) || over > (int32_t)SAFE_WITHIN) {
		board_fault(ON_TOO_LONG, output, t);
		return;
	}
	/* Its end was due, and the compare unit's pending interrupt is about to record it. */
}

void outputs_watch(uint8_t output)
{
	if (channels[output].on)
		limit_on_time(output);
	if (channels[output].stage == FAR)
		schedule_output(output);
}
