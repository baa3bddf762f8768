#include "inputs.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "outputs.h"
#include "timebase.h"

/* Ticks from an edge to its stamp by software when nothing else runs. */
enum { GATE_DELAY = 6, KILL_DELAY = 5, OTHERS_DELAY = 6 };

/* A source of interrupts is masked after each for MASK_SAMPLES, less one at most, so that a storm on one input does
 * not starve the others. A single edge meanwhile is stamped late, more are lost. The capture unit's stamp is right
 * nevertheless. */
enum { MASK_SAMPLES = 3 };
enum { SOURCE_GATE = 1, SOURCE_BEAM = 2, SOURCE_KILL = 4, SOURCE_OTHERS = 8 };
static uint8_t masked[MASK_SAMPLES]; /* since this sample, the one before, and the one before that; one bit each */

/* Samples of the converter: 64 * 13 cycles each, 52 us; stamped when it began to convert, 11.5 of its cycles ago. */
enum { RELEASE_SAMPLES = 385 /* 20 ms */ };
#define SAMPLE_DELAY 92
#define THRESHOLD 100

volatile uint8_t ticks;

static uint16_t mean = 512U * 64; /* times 64: follows within 3 ms, so hum is let through and a drift is not */
static uint16_t threshold = THRESHOLD, peak;
static uint16_t release_left;     /* samples until the sound counts as over; 0: it is */

/* What is done after each sample of a millisecond: one step at a time, so that no interrupt takes long. */
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
	return release_left > 0;
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
	uint32_t t = now_atomic();
	while (now_atomic() - t < US(100)) { /* pull-ups against the capacity of a long wire */
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

/* short_pulse reports both edges of a pulse that ended before its first edge was handled. */
static void short_pulse(uint8_t input, bool high, uint32_t at)
{
	board_edge(input, high, at);
	board_edge(input, !high, now());
}

/* edge_announced reports an edge that raised an interrupt. */
static void edge_announced(uint8_t input, uint32_t at)
{
	bool high = level(input);
	if (high == known(input))
		short_pulse(input, !high, at);
	else
		board_edge(input, high, at);
}

/* captured reads the capture unit's stamp, and sets it up for the other edge. */
static void captured(void)
{
	uint32_t at = timebase_widen(ICR1);
	bool high = TCCR1B & _BV(ICES1);
	TCCR1B ^= _BV(ICES1);
	TIFR1 = _BV(ICF1);
	bool over = level(IN_BEAM) != high && !(TIFR1 & _BV(ICF1));
	if (over) {
		TCCR1B ^= _BV(ICES1);
		TIFR1 = _BV(ICF1);
	}
	TIMSK1 &= (uint8_t)~_BV(ICIE1);
	masked[0] |= SOURCE_BEAM;
	if (over)
		short_pulse(IN_BEAM, high, at);
	else
		board_edge(IN_BEAM, high, at);
}

/* Budget 2600 cycles, measured 2538. The longest path: handles the edge, accepts the shot, plans six pulses and
 * aborts them, as the last of them cannot be met. */
ISR(TIMER1_CAPT_vect)
{
	captured();
}

/* Budget 2800 cycles, measured 1999. It first handles a pending edge of the capture unit: that one is earlier. */
ISR(INT0_vect)
{
	uint32_t at = now() - GATE_DELAY;
	if (TIFR1 & TIMSK1 & _BV(ICF1))
		captured();
	EIMSK = 0;
	masked[0] |= SOURCE_GATE;
	edge_announced(IN_GATE, at);
}

/* Budget 1600 cycles, measured 1060. The kill input. */
ISR(PCINT1_vect)
{
	uint32_t at = now() - KILL_DELAY;
	PCICR &= (uint8_t)~_BV(PCIE1);
	masked[0] |= SOURCE_KILL;
	edge_announced(IN_KILL, at);
}

/* Budget 2600 cycles, measured 1815. Sync return and button. */
ISR(PCINT2_vect)
{
	uint32_t at = now() - OTHERS_DELAY;
	bool sync = level(IN_SYNC) != known(IN_SYNC), button = level(IN_BUTTON) != known(IN_BUTTON);
	PCICR &= (uint8_t)~_BV(PCIE2);
	masked[0] |= SOURCE_OTHERS;
	if (sync)
		edge_announced(IN_SYNC, at);
	if (button)
		edge_announced(IN_BUTTON, at);
	if (!sync && !button) { /* one of them, too short to see which */
		board_lost(IN_SYNC, 2, false);
		board_lost(IN_BUTTON, 2, false);
	}
}

/* catch_up reports what an input did while its source was masked. */
static void catch_up(uint8_t input)
{
	bool high = level(input);
	if (high == known(input)) {
		board_lost(input, 2, true);
		return;
	}
	if (board.program.hold_off <= MASK_TICKS)
		board_lost(input, 1, true);
	board_edge(input, high, now());
}

/* unmask enables sources again. One with edges meanwhile, which are reported here, stays masked for another period:
 * it may be a storm. */
static __attribute__((noinline)) void unmask(uint8_t sources)
{
	if (sources & SOURCE_BEAM)
		TIMSK1 |= _BV(ICIE1);
	if (sources & SOURCE_GATE) {
		if (EIFR & _BV(INTF0)) {
			EIFR = _BV(INTF0);
			masked[0] |= SOURCE_GATE;
			catch_up(IN_GATE);
		} else {
			EIMSK = _BV(INT0);
		}
	}
	if (sources & SOURCE_KILL) {
		if (PCIFR & _BV(PCIF1)) {
			PCIFR = _BV(PCIF1);
			masked[0] |= SOURCE_KILL;
			catch_up(IN_KILL);
		} else {
			PCICR |= _BV(PCIE1);
		}
	}
	if (sources & SOURCE_OTHERS) {
		if (PCIFR & _BV(PCIF2)) {
			PCIFR = _BV(PCIF2);
			masked[0] |= SOURCE_OTHERS;
			if (level(IN_SYNC) != known(IN_SYNC))
				catch_up(IN_SYNC);
			if (level(IN_BUTTON) != known(IN_BUTTON))
				catch_up(IN_BUTTON);
		} else {
			PCICR |= _BV(PCIE2);
		}
	}
}

static void unmask_in_turn(void)
{
	uint8_t sources = masked[2];
	masked[2] = masked[1];
	masked[1] = masked[0];
	masked[0] = 0;
	if (sources)
		unmask(sources);
}

/* resync reports a change that raised no interrupt. */
static __attribute__((noinline)) void resync(uint8_t input)
{
	board_edge(input, level(input), now());
}

/* recheck_input finds changes that interrupts missed: none, unless an input is too fast. One input a turn. The level
 * is read before the flag: an edge just now sets both. */
INLINE void recheck_input(uint8_t turn_of)
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

/* sound_edge reports that the microphone's level has risen above the threshold or fallen below it. */
static __attribute__((noinline)) void sound_edge(bool high)
{
	board_edge(IN_MICROPHONE, high, now() - SAMPLE_DELAY);
}

/* sample compares the microphone with its threshold. */
INLINE void sample(uint16_t v)
{
	uint16_t middle = mean >> 6;
	uint16_t loud = v > middle ? v - middle : middle - v;
	mean += v - middle;
	if (loud > peak)
		peak = loud;
	if (loud > threshold) {
		if (release_left == 0)
			sound_edge(true);
		release_left = RELEASE_SAMPLES;
	} else if (release_left > 0 && --release_left == 0) {
		sound_edge(false);
	}
}

/* Budget 2600 cycles, measured 1833. A sample each 52 us, followed by the next step of the millisecond. */
ISR(ADC_vect)
{
	sample(ADC);
	unmask_in_turn();
	uint8_t now_turn = turn;
	turn = now_turn + 1;
	if (now_turn < FIRST_INPUT) {
		if (outputs_awake)
			outputs_watch(now_turn);
	} else if (now_turn < FIRST_INPUT + INPUTS) {
		recheck_input(now_turn - FIRST_INPUT);
	} else if (now_turn == LAST_SAMPLE) {
		turn = 0;
		ticks++;
		board_wake();
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
