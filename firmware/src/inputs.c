#include "inputs.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "clock.h"
#include "outputs.h"

/* From an edge to its stamp where software takes it: see README.md. */
#define STAMP_DELAY 4

/* Interrupts that a source may raise in a millisecond. One that wants more is shut up until the next, and what it did
 * meanwhile is lost: a storm on one input does not take the time of the others. */
enum { BUDGET = 8 };
enum { FROM_GATE, FROM_BEAM, FROM_KILL, FROM_OTHERS, SOURCES };
static uint8_t budget[SOURCES];

/* Samples of the converter: 64 * 13 cycles each, 52 us; stamped when it began to convert, 11.5 of its cycles ago. */
enum { TICK_SAMPLES = 20, QUIET_SAMPLES = 385 /* 20 ms */ };
#define SAMPLE_DELAY 92
#define THRESHOLD 100

volatile uint8_t ticks;

static uint16_t mean = 512U * 64; /* times 64: follows within 3 ms, so hum is let through and a drift is not */
static uint16_t threshold = THRESHOLD, peak;
static uint16_t quiet;            /* samples until it is not loud any more; 0: it is not */
static uint8_t tick_in = TICK_SAMPLES;

static bool level(uint8_t input)
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

static bool known(uint8_t input)
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
	for (uint8_t i = 0; i < SOURCES; i++)
		budget[i] = BUDGET;

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
	if (--budget[FROM_BEAM] == 0)
		TIMSK1 &= (uint8_t)~_BV(ICIE1);
	if (over)
		both(IN_BEAM, high, at);
	else
		board_edge(IN_BEAM, high, at);
}

/* Budget 1600 cycles; measured: see README.md. The longest way: judges the edge, accepts the shot and plans its pulses. */
ISR(TIMER1_CAPT_vect)
{
	captured();
}

/* Budget as that of the capture interrupt, of which it takes over an edge that waits: that one was before this. */
ISR(INT0_vect)
{
	uint32_t at = now() - STAMP_DELAY;
	if (TIFR1 & TIMSK1 & _BV(ICF1))
		captured();
	if (--budget[FROM_GATE] == 0)
		EIMSK = 0;
	changed(IN_GATE, at);
}

/* Budget 1600 cycles; measured: see README.md. The kill input: outputs are off within 300 cycles of it. */
ISR(PCINT1_vect)
{
	uint32_t at = now() - STAMP_DELAY;
	if (--budget[FROM_KILL] == 0)
		PCICR &= (uint8_t)~_BV(PCIE1);
	changed(IN_KILL, at);
}

/* Budget 1600 cycles; measured: see README.md. Sync return and button. */
ISR(PCINT2_vect)
{
	uint32_t at = now() - STAMP_DELAY;
	bool sync = level(IN_SYNC) != known(IN_SYNC), button = level(IN_BUTTON) != known(IN_BUTTON);
	if (--budget[FROM_OTHERS] == 0)
		PCICR &= (uint8_t)~_BV(PCIE2);
	if (sync)
		changed(IN_SYNC, at);
	if (button)
		changed(IN_BUTTON, at);
	if (!sync && !button) { /* one of them, too short to see which */
		board_lost(IN_SYNC, 1);
		board_lost(IN_BUTTON, 1);
	}
}

/* resync tells of a change that no interrupt told of. */
static void resync(uint8_t input)
{
	if (level(input) != known(input))
		board_edge(input, !known(input), now());
}

static void missed(uint8_t input, bool some)
{
	if (some)
		board_lost(input, 1);
	resync(input);
}

/* inputs_tick lets those speak again that were shut up. */
static void inputs_tick(void)
{
	if (!(EIMSK & _BV(INT0))) {
		bool some = EIFR & _BV(INTF0);
		EIFR = _BV(INTF0);
		EIMSK = _BV(INT0);
		missed(IN_GATE, some);
	}
	if (!(TIMSK1 & _BV(ICIE1))) {
		bool some = TIFR1 & _BV(ICF1);
		if (level(IN_BEAM))
			TCCR1B &= (uint8_t)~_BV(ICES1);
		else
			TCCR1B |= _BV(ICES1);
		TIFR1 = _BV(ICF1);
		TIMSK1 |= _BV(ICIE1);
		missed(IN_BEAM, some);
	}
	if (!(PCICR & _BV(PCIE1))) {
		bool some = PCIFR & _BV(PCIF1);
		PCIFR = _BV(PCIF1);
		PCICR |= _BV(PCIE1);
		missed(IN_KILL, some);
	}
	if (!(PCICR & _BV(PCIE2))) {
		bool some = PCIFR & _BV(PCIF2);
		PCIFR = _BV(PCIF2);
		PCICR |= _BV(PCIE2);
		missed(IN_SYNC, some);
		missed(IN_BUTTON, some);
	}
	for (uint8_t i = 0; i < SOURCES; i++)
		budget[i] = BUDGET;
}

/* sample hears the microphone. */
static void sample(uint16_t v)
{
	uint16_t middle = mean >> 6;
	uint16_t loud = v > middle ? v - middle : middle - v;
	mean += v - middle;
	if (loud > peak)
		peak = loud;
	if (loud > threshold) {
		if (quiet == 0)
			board_edge(IN_MICROPHONE, true, now() - SAMPLE_DELAY);
		quiet = QUIET_SAMPLES;
	} else if (quiet > 0 && --quiet == 0) {
		board_edge(IN_MICROPHONE, false, now() - SAMPLE_DELAY);
	}
}

/* Budget 1600 cycles; measured: see README.md. A sample each 52 us, and each twentieth time the millisecond's work. */
ISR(ADC_vect)
{
	sample(ADC);
	if (--tick_in > 0)
		return;
	tick_in = TICK_SAMPLES;
	ticks++;
	inputs_tick();
	outputs_tick();
	board_news();
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
