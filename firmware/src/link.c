#include "link.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"

#define BAUD 250000UL
enum { RECEIVE_MASK = 63 };

static volatile uint8_t received[RECEIVE_MASK + 1], received_write, received_read;
static struct decoder decoder;
static struct ring out;
static struct message message;
static uint8_t seq;

void link_start(void)
{
	UCSR0A = _BV(U2X0);
	UBRR0 = F_CPU / 8 / BAUD - 1;
	UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
	UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

/* take takes a byte from the receiver. One with a framing error invalidates its frame: the zero in its place ends it, and
 * its CRC cannot match. */
static inline __attribute__((always_inline)) void take(void)
{
	uint8_t broken = UCSR0A & (_BV(FE0) | _BV(DOR0));
	uint8_t byte = UDR0;
	uint8_t at = received_write, next = (at + 1) & RECEIVE_MASK;
	if (next != received_read) {
		received[at] = broken ? 0 : byte;
		received_write = next;
	}
	if (!byte || !(next & (RECEIVE_MASK / 4)))
		board_wake(); /* at a frame's end, and before bytes without one fill the ring */
}

/* Budget 120 cycles, measured 88. */
ISR(USART_RX_vect)
{
	take();
}

__attribute__((noinline)) void link_take(void)
{
	take();
}

/* Budget 80 cycles, measured 59. */
ISR(USART_UDRE_vect)
{
	uint8_t at = out.read;
	if (at == out.write) {
		UCSR0B &= (uint8_t)~_BV(UDRIE0);
		return;
	}
	UDR0 = out.data[at];
	out.read = (uint8_t)(at + 1);
}

bool link_waiting(void)
{
	return received_read != received_write;
}

const uint8_t *link_receive(void)
{
	while (link_waiting()) {
		board_look_up_delay();
		uint8_t byte = received[received_read];
		received_read = (received_read + 1) & RECEIVE_MASK;
		if (decode(&decoder, byte))
			return decoder.body;
	}
	return NULL;
}

uint8_t link_length(void)
{
	return decoder.length - 4;
}

bool link_ready(uint8_t n)
{
	return room(&out) >= n * LONGEST;
}

struct message *link_begin(uint8_t type)
{
	board_look_up_delay();
	message.length = 0;
	put8(&message, type);
	put8(&message, seq++);
	return &message;
}

void link_send(void)
{
	while (!encode(&out, &message)) {
		message.length -= 2; /* the CRC: once more, when there is room */
		board_look_up_delay();
	}
	board_look_up_delay();
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		UCSR0B |= _BV(UDRIE0);
	}
}
