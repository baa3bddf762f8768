#include "inputs.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "clock.h"
#include "outputs.h"

/* Ticks from an edge to its stamp where software takes it and nothing else is under way. */
enum { GATE_DELAY = 6, KILL_DELAY = 5, OTHERS_DELAY = 6 };

/* A source of interrupts is shut up after each for SHUT_SAMPLES, less one at most: a storm on one input does not take the
 * time of the others. What it does meanwhile is stamped late, if one edge, and lost, if more. The capture unit's stamp
 * is right nevertheless. */
enum { SHUT_SAMPLES = 3 };
enum { FROM_GATE = 1, FROM_BEAM = 2, FROM_KILL = 4, FROM_OTHERS = 8 };
static uint8_t shut[SHUT_SAMPLES]; /* since this sample, the one before, and the one before that; one bit each */

/* Samples of the converter: 64 * 13 cycles each, 52 us; stamped when it began to convert, 11.5 of its cycles ago. */
enum { QUIET_SAMPLES = 385 /* 20 ms */ };
#define SAMPLE_DELAY 92
#define THRESHOLD 100

volatile uint8_t ticks;

static uint16_t mean = 512U * 64; /* times 64: follows within 3 ms, so hum is let through and a drift is not */
static uint16_t threshold = THRESHOLD, peak;
static uint16_t quiet;            /* samples until it is not loud any more; 0: it is not */

/* What is done after which sample of a millisecond: one thing at a time, so that no interrupt takes long. */
enum { FIRST_OUTPUT = 0, FIRST_INPUT = FIRST_OUTPUT + OUTPUTS, LAST_SAMPLE = 19 };
static uint8_t turn;

#define INLINE static inline __attribute__((always_inline))

INLINE bool level(uint8_t input)
{
	switch (input) {
	case IN_GATE:
		return PIN_OF(PIN_GATE) & BIT(PIN_GATE);
	case IN_BEAM:
		return PIN_OF(PIN_BEAM) & BIT(PIN_BEAM);
	case IN_SYNC:
		return PIN_OF(PIN_SYNC) & BIT(PIN_SYNC);
	case IN_KILL:
		return PIN_OF(PIN_KILL) & BIT(PIN_KILL);
	case IN_BUTTON:
		return PIN_OF(PIN_BUTTON) & BIT(PIN_BUTTON);
	}
	return quiet > 0;
}

INLINE bool known(uint8_t input)
{
	return board.levels >> input & 1;
}

void inputs_start(void)
{
	PORT_OF(PIN_GATE) |= BIT(PIN_GATE);
	PORT_OF(PIN_BEAM) |= BIT(PIN_BEAM);
	PORT_OF(PIN_SYNC) |= BIT(PIN_SYNC);
	PORT_OF(PIN_KILL) |= BIT(PIN_KILL);
	PORT_OF(PIN_BUTTON) |= BIT(PIN_BUTTON);
	uint32_t t = time();
	while (time() - t < US(100)) { /* pull-ups against the capacity of a long wire */
	}
	for (uint8_t i = 0; i < INPUTS; i++)
		if (level(i))
			board.levels |= (uint8_t)(1U << i);

	if (!known(IN_BEAM))
		TCCR1B |= _BV(ICES1);
	TIFR1 = _BV(ICF1);
	TIMSK1 |= _BV(ICIE1);
	EICRA = _BV(ISC00); /* both edges */
	EIFR = _BV(INTF0);
	EIMSK = _BV(INT0);
	PCMSK1 = _BV(PCINT9);
	PCMSK2 = _BV(PCINT20) | _BV(PCINT23);
	PCIFR = _BV(PCIF1) | _BV(PCIF2);
	PCICR = _BV(PCIE1) | _BV(PCIE2);
	DIDR0 = _BV(ADC0D);
	ADMUX = _BV(REFS0);
	ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADATE) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1);
}

/* both tells of a pulse so short that its second edge was over before the first was looked at. */
static void both(uint8_t input, bool high, uint32_t at)
{
	board_edge(input, high, at);
	board_edge(input, !high, now());
}

/* changed tells of an edge that an interrupt announced. */
static void changed(uint8_t input, uint32_t at)
{
	bool high = level(input);
	if (high == known(input))
		both(input, !high, at);
	else
		board_edge(input, high, at);
}

/* captured takes what the capture unit stamped, and readies it for the other edge. */
static void captured(void)
{
	uint32_t at = clock_widen(ICR1);
	bool high = TCCR1B & _BV(ICES1);
	TCCR1B ^= _BV(ICES1);
	TIFR1 = _BV(ICF1);
	bool over = level(IN_BEAM) != high && !(TIFR1 & _BV(ICF1));
	if (over) {
		TCCR1B ^= _BV(ICES1);
		TIFR1 = _BV(ICF1);
	}
	TIMSK1 &= (uint8_t)~_BV(ICIE1);
	shut[0] |= FROM_BEAM;
	if (over)
		both(IN_BEAM, high, at);
	else
		board_edge(IN_BEAM, high, at);
}

/* Budget 2600 cycles, measured 2455. The longest way: judges the edge, accepts the shot, plans six pulses and gives them
 * up again, as the last of them cannot be met. */
ISR(TIMER1_CAPT_vect)
{
	captured();
}

/* Budget 2800 cycles, measured 1999. It takes over an edge of the capture unit that waits: that one was before this. */
ISR(INT0_vect)
{
	uint32_t at = now() - GATE_DELAY;
	if (TIFR1 & TIMSK1 & _BV(ICF1))
		captured();
	EIMSK = 0;
	shut[0] |= FROM_GATE;
	changed(IN_GATE, at);
}

/* Budget 1600 cycles, measured 1060. The kill input. */
ISR(PCINT1_vect)
{
	uint32_t at = now() - KILL_DELAY;
	PCICR &= (uint8_t)~_BV(PCIE1);
	shut[0] |= FROM_KILL;
	changed(IN_KILL, at);
}

/* Budget 2600 cycles, measured 1815. Sync return and button. */
ISR(PCINT2_vect)
{
	uint32_t at = now() - OTHERS_DELAY;
	bool sync = level(IN_SYNC) != known(IN_SYNC), button = level(IN_BUTTON) != known(IN_BUTTON);
	PCICR &= (uint8_t)~_BV(PCIE2);
	shut[0] |= FROM_OTHERS;
	if (sync)
		changed(IN_SYNC, at);
	if (button)
		changed(IN_BUTTON, at);
	if (!sync && !button) { /* one of them, too short to see which */
		board_lost(IN_SYNC, 2, false);
		board_lost(IN_BUTTON, 2, false);
	}
}

/* late tells of what an input did while its source was shut. */
static void late(uint8_t input)
{
	bool high = level(input);
	if (high == known(input)) {
		board_lost(input, 2, true);
		return;
	}
	if (board.program.hold_off <= SHUT_TICKS)
		board_lost(input, 1, true);
	board_edge(input, high, now());
}

/* reopen lets sources speak again. One that had something to say meanwhile has said it with that, and stays shut for
 * another while: it may be a storm. */
static __attribute__((noinline)) void reopen(uint8_t sources)
{
	if (sources & FROM_BEAM)
		TIMSK1 |= _BV(ICIE1);
	if (sources & FROM_GATE) {
		if (EIFR & _BV(INTF0)) {
			EIFR = _BV(INTF0);
			shut[0] |= FROM_GATE;
			late(IN_GATE);
		} else {
			EIMSK = _BV(INT0);
		}
	}
	if (sources & FROM_KILL) {
		if (PCIFR & _BV(PCIF1)) {
			PCIFR = _BV(PCIF1);
			shut[0] |= FROM_KILL;
			late(IN_KILL);
		} else {
			PCICR |= _BV(PCIE1);
		}
	}
	if (sources & FROM_OTHERS) {
		if (PCIFR & _BV(PCIF2)) {
			PCIFR = _BV(PCIF2);
			shut[0] |= FROM_OTHERS;
			if (level(IN_SYNC) != known(IN_SYNC))
				late(IN_SYNC);
			if (level(IN_BUTTON) != known(IN_BUTTON))
				late(IN_BUTTON);
		} else {
			PCICR |= _BV(PCIE2);
		}
	}
}

static void reopen_in_turn(void)
{
	uint8_t sources = shut[2];
	shut[2] = shut[1];
	shut[1] = shut[0];
	shut[0] = 0;
	if (sources)
		reopen(sources);
}

/* resync tells of a change that no interrupt told of. */
static __attribute__((noinline)) void resync(uint8_t input)
{
	board_edge(input, level(input), now());
}

/* look_again finds what an interrupt may have missed: nothing, unless an input is faster than this can be. One input in
 * a turn. The level is read before the flag: an edge just now sets both. */
INLINE void look_again(uint8_t turn_of)
{
	switch (turn_of) {
	case IN_GATE:
		if (level(IN_GATE) != known(IN_GATE) && EIMSK && !(EIFR & _BV(INTF0)))
			resync(IN_GATE);
		break;
	case IN_KILL:
		if (level(IN_KILL) != known(IN_KILL) && PCICR & _BV(PCIE1) && !(PCIFR & _BV(PCIF1)))
			resync(IN_KILL);
		break;
	case IN_SYNC:
		if (level(IN_SYNC) != known(IN_SYNC) && PCICR & _BV(PCIE2) && !(PCIFR & _BV(PCIF2)))
			resync(IN_SYNC);
		break;
	case IN_BUTTON:
		if (level(IN_BUTTON) != known(IN_BUTTON) && PCICR & _BV(PCIE2) && !(PCIFR & _BV(PCIF2)))
			resync(IN_BUTTON);
		break;
	case IN_BEAM:
		if (level(IN_BEAM) != known(IN_BEAM) && TIMSK1 & _BV(ICIE1) && !(TIFR1 & _BV(ICF1))) {
			TCCR1B ^= _BV(ICES1);
			TIFR1 = _BV(ICF1);
			resync(IN_BEAM);
		}
		break;
	}
}

/* heard tells that the microphone is loud, or that it is not any more. */
static __attribute__((noinline)) void heard(bool high)
{
	board_edge(IN_MICROPHONE, high, now() - SAMPLE_DELAY);
}

/* sample hears the microphone. */
INLINE void sample(uint16_t v)
{
	uint16_t middle = mean >> 6;
	uint16_t loud = v > middle ? v - middle : middle - v;
	mean += v - middle;
	if (loud > peak)
		peak = loud;
	if (loud > threshold) {
		if (quiet == 0)
			heard(true);
		quiet = QUIET_SAMPLES;
	} else if (quiet > 0 && --quiet == 0) {
		heard(false);
	}
}

/* Budget 2600 cycles, measured 1833. A sample each 52 us, and after it what is its turn in the millisecond. */
ISR(ADC_vect)
{
	sample(ADC);
	reopen_in_turn();
	uint8_t now_turn = turn;
	turn = now_turn + 1;
	if (now_turn < FIRST_INPUT) {
		if (outputs_awake)
			outputs_watch(now_turn);
	} else if (now_turn < FIRST_INPUT + INPUTS) {
		look_again(now_turn - FIRST_INPUT);
	} else if (now_turn == LAST_SAMPLE) {
		turn = 0;
		ticks++;
		board_news();
	}
}

void microphone_threshold(uint16_t t)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		threshold = t;
	}
}

uint16_t microphone_peak(void)
{
	uint16_t p;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		p = peak;
		peak = 0;
	}
	return p;
}
