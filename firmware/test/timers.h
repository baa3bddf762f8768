/* Timers 0, 1 and 2 of the ATmega328P in normal mode, cycle by cycle, in place of libsimavr's own: those of version 1.6
 * move compare pins at overflow, clear all flags with any, and know neither forced compares nor the prescalers' reset. */
#ifndef TIMERS_H
#define TIMERS_H

#include <sim_avr.h>

enum { CHANNELS = 6 };

/* A compare pin moved. */
typedef void (*moved_t)(char port, int bit, int level, avr_cycle_count_t when);

/* GTCCR released the timers. */
typedef void (*started_t)(avr_cycle_count_t when);

/* timers_attach takes the timers over; call it after avr_init. */
void timers_attach(avr_t *avr, moved_t moved, started_t started);

/* timers_reset is what a reset of the chip does to them; call it from avr->reset. */
void timers_reset(void);

/* timers_capture reports that pin ICP1 is at level since when, which may be within the instruction just executed. */
void timers_capture(int level, avr_cycle_count_t when);

#endif
