/* The serial link: 250000 baud, exact at 16 MHz; frames in and out. */
#ifndef LINK_H
#define LINK_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

/* Any message as a frame: the longest has a payload of 46 bytes, a body of 50 and 52 bytes on the wire. */
enum { LONGEST = 52 };

void link_start(void);

/* link_receive returns the next received frame, or NULL. The frame is valid until the next call; its payload has
 * link_length bytes. */
const uint8_t *link_receive(void);
uint8_t link_length(void);

/* link_take takes a byte from the receiver. Interrupts are off. */
void link_take(void);

/* link_poll takes a byte that waits. The receiver holds two: what keeps interrupts off for longer than one takes to come,
 * 40 us, polls it in between, so that none is lost. */
static inline void link_poll(void)
{
	if (UCSR0A & _BV(RXC0))
		link_take();
}

/* link_waiting says whether bytes were received. */
bool link_waiting(void);

/* link_ready says whether any n messages can be sent. */
bool link_ready(uint8_t n);

/* link_begin begins a message and numbers it; put8, put16 and put32 fill it; link_send sends it, waiting for room 10
 * ms at most. */
struct message *link_begin(uint8_t type);
void link_send(void);

#endif
