/* Time: ticks of half a microsecond, counted by timer 1 and, locked to its low byte, by timers 0 and 2. */
#ifndef TIMEBASE_H
#define TIMEBASE_H

#include <avr/io.h>
#include <stdint.h>

#define TICK_HZ 2000000UL
#define US(n) ((uint32_t)(n)*2)
#define MS(n) ((uint32_t)(n)*2000)

/* Overflows of timer 1. */
extern volatile uint16_t timebase_overflows;

/* timebase_start starts the three timers at once. */
void timebase_start(void);

/* timebase_widen extends timer 1's count, just read, to a tick. Interrupts are off. */
static inline uint32_t timebase_widen(uint16_t low)
{
	union {
		struct {
			uint16_t low, high;
		} half;
		uint32_t tick;
	} wide; /* the compiler shifts bit by bit otherwise */
	wide.half.low = low;
	wide.half.high = timebase_overflows;
	if (TIFR1 & _BV(TOV1) && low < 0x8000)
		wide.half.high++;
	return wide.tick;
}

/* now is the current tick. Interrupts are off. */
static inline uint32_t now(void)
{
	return timebase_widen(TCNT1);
}

/* now_atomic is now with interrupts on or off. */
uint32_t now_atomic(void);

#endif
