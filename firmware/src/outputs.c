#include "outputs.h"

#include <avr/interrupt.h>

#include "board.h"
#include "clock.h"

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

/* The pins of pins.h are those of these units. */
static const struct unit units[OUTPUTS] = {
	[OUT_SHUTTER] = UNIT(1, B, TCCR1C, true), [OUT_FOCUS] = UNIT(2, B, TCCR2B, false),
	[OUT_FLASH1] = UNIT(1, A, TCCR1C, true),  [OUT_FLASH2] = UNIT(0, A, TCCR0B, false),
	[OUT_VALVE1] = UNIT(0, B, TCCR0B, false), [OUT_VALVE2] = UNIT(2, A, TCCR2B, false),
};

const uint32_t max_on[OUTPUTS] = {
	[OUT_SHUTTER] = MAX_ON_SHUTTER, [OUT_FOCUS] = MAX_ON_FOCUS, [OUT_FLASH1] = MAX_ON_FLASH1,
	[OUT_FLASH2] = MAX_ON_FLASH2,   [OUT_VALVE1] = MAX_ON_VALVE1, [OUT_VALVE2] = MAX_ON_VALVE2,
};

/* How far a channel is with its next edge. An 8-bit unit matches each 128 us: from NEAR on it looks at each match whether
 * the next is the one. */
enum { IDLE, FAR, NEAR, SET };

struct channel {
	uint8_t stage;
	uint8_t cue;
	bool on;
	uint32_t at;    /* of the next edge */
	uint32_t since; /* on since */
	uint32_t base;  /* what the offsets of the cues count from */
};

static struct channel channels[OUTPUTS];
static const struct program *program; /* NULL: a test pulse */
static uint32_t test_width;

struct pulse pulses[PULSES];
volatile uint16_t pulses_ended;
volatile uint8_t outputs_on;

/* Ticks ahead at which a far edge is given to its unit. Looked at each millisecond. */
#define NEAR_BY US(2300)
/* Ticks that it takes to set a unit. */
#define HANDS 10

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

/* cut ends what a channel does. Its last edge may be over and not yet put down. */
static void cut(struct channel *c, uint32_t off)
{
	if (c->stage == SET && !before(off, c->at)) {
		if (c->on)
			off = c->at;
		else
			pulses[c->cue].on = c->at;
		c->on = true;
	}
	c->stage = IDLE;
	if (!c->on)
		return;
	c->on = false;
	pulses[c->cue].off = off;
	pulses_ended |= 1U << c->cue;
}

void outputs_off(void)
{
	uint32_t off = now();
	pins_off();
	TIMSK0 &= (uint8_t)~FLAG_BOTH;
	TIMSK1 &= (uint8_t)~FLAG_BOTH;
	TIMSK2 &= (uint8_t)~FLAG_BOTH;
	for (uint8_t i = 0; i < OUTPUTS; i++)
		cut(&channels[i], off);
	outputs_on = 0;
}

/* moved puts down that the output of a channel changed, and finds its next edge; false when there is none. */
static bool moved(uint8_t output, uint32_t when)
{
	struct channel *c = &channels[output];
	*units[output].mask &= (uint8_t)~units[output].flag;
	c->stage = FAR;
	if (!c->on) {
		c->on = true;
		c->since = when;
		outputs_on |= 1U << output;
		pulses[c->cue].on = when;
		c->at = when + (program ? cue_width(program, c->cue) : test_width);
		return true;
	}
	c->on = false;
	outputs_on &= (uint8_t)~(1U << output);
	pulses[c->cue].off = when;
	pulses_ended |= 1U << c->cue;
	board_news();
	c->cue = program ? program->next[c->cue] : NONE;
	c->at = c->base;
	if (c->cue == NONE) {
		c->stage = IDLE;
		return false;
	}
	c->at += (uint32_t)cue_offset(program, c->cue);
	return true;
}

/* set says which match moves the pin, if the next one does, and then that it is so. The edge is not over yet when it
 * says true. */
static bool set(struct channel *c, const struct unit *u)
{
	uint32_t left = c->at - now();
	if (!u->wide && (int32_t)left > 256)
		return true;
	if (c->on)
		*u->control &= (uint8_t)~u->set;
	else
		*u->control |= u->set;
	c->stage = SET;
	return (int32_t)(c->at - now()) > 0;
}

/* force makes an edge that is due or overdue by software. It waits out the last ticks, so that none is early. */
static uint32_t force(struct channel *c, const struct unit *u)
{
	while (before(now(), c->at)) {
	}
	if (c->on)
		*u->control &= (uint8_t)~u->set;
	else
		*u->control |= u->set;
	*u->force |= u->strobe;
	return now();
}

/* aim gives a channel's next edge to its compare unit. One that is too near for that is made by hand: it comes a little
 * late, if the program allows that. */
static void aim(uint8_t output)
{
	struct channel *c = &channels[output];
	const struct unit *u = &units[output];
	for (;;) {
		int32_t left = (int32_t)(c->at - now());
		if (left > (int32_t)NEAR_BY) {
			c->stage = FAR;
			return;
		}
		if (left > HANDS) {
			uint16_t match = (uint16_t)c->at - 1; /* the pin moves one tick after the match */
			if (u->wide)
				u->compare[1] = (uint8_t)(match >> 8);
			u->compare[0] = (uint8_t)match;
			*u->flags = u->flag;
			*u->mask |= u->flag;
			c->stage = NEAR;
			if (set(c, u))
				return;
		}
		if (!c->on && program && HANDS - left > (int32_t)program->late) {
			board_late(c->at);
			return;
		}
		if (!moved(output, force(c, u)))
			return;
	}
}

/* matched is a compare unit's interrupt. */
static void matched(uint8_t output)
{
	struct channel *c = &channels[output];
	if (c->stage == NEAR) {
		if (!set(c, &units[output]))
			aim(output);
		return;
	}
	if (c->stage == SET && !before(now(), c->at) && moved(output, c->at))
		aim(output);
}

/* Compare interrupts. Budget 1000 cycles each, measured: see README.md. Here an edge is put down and the next one set;
 * for 8-bit units also, each 128 us in the last 2.3 ms before an edge, whether the next match is the one. */
ISR(TIMER1_COMPA_vect)
{
	matched(OUT_FLASH1);
}

ISR(TIMER1_COMPB_vect)
{
	matched(OUT_SHUTTER);
}

ISR(TIMER0_COMPA_vect)
{
	matched(OUT_FLASH2);
}

ISR(TIMER0_COMPB_vect)
{
	matched(OUT_VALVE1);
}

ISR(TIMER2_COMPA_vect)
{
	matched(OUT_VALVE2);
}

ISR(TIMER2_COMPB_vect)
{
	matched(OUT_FOCUS);
}

void outputs_plan(const struct program *p, uint8_t cue, uint32_t base)
{
	program = p;
	uint8_t output = cue_output(p, cue);
	struct channel *c = &channels[output];
	c->cue = cue;
	c->base = base;
	c->at = base + (uint32_t)cue_offset(p, cue);
	aim(output);
}

void outputs_test(uint8_t output, uint32_t width)
{
	struct channel *c = &channels[output];
	program = NULL;
	test_width = width;
	c->cue = 0;
	c->at = now();
	if (moved(output, force(c, &units[output])))
		aim(output);
}

bool outputs_busy(void)
{
	for (uint8_t i = 0; i < OUTPUTS; i++)
		if (channels[i].stage != IDLE)
			return true;
	return pulses_ended != 0;
}

/* guard switches off an output that was on for as long as it may be, whatever is planned for it. */
static void guard(uint8_t output)
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
	/* Its end was due and is about to be put down by the compare unit's own interrupt. */
}

void outputs_tick(void)
{
	for (uint8_t i = 0; i < OUTPUTS; i++) {
		if (outputs_on >> i & 1)
			guard(i);
		if (channels[i].stage == FAR)
			aim(i);
	}
}
