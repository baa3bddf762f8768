/* Frames of the board protocol: CRC, COBS and little-endian numbers. Portable: the same code is tested on the host. */
#ifndef WIRE_H
#define WIRE_H

#include <stdbool.h>
#include <stdint.h>
#include <string.h>

_Static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__, "numbers are read as they lie in memory");

enum { MAX_BODY = 64, MAX_PAYLOAD = MAX_BODY - 4, CRC_START = 0xFFFF };

/* Messages to and from a board. */
enum {
	IDENTIFY = 0x01, PING, LOAD, COMMIT, ARM, DISARM, GO, PULSE, SET_LEVEL,
	IDENTITY = 0x81, INPUT, OUTPUT, PONG, ACK, REFUSED, EDGE, SHOT, CUE, REJECTED, FAULT, STATE, LEVEL, LOST
};

enum { BEAM, MICROPHONE, SYNC_RETURN, KILL, BUTTON };
enum { SHUTTER, FOCUS, FLASH, VALVE };
enum { SAFE, ARMED, FIRING, RESTING, FAULTED };
enum { DONE, SHOT_LATE, DISARMED, KILLED, SHOT_LINK_TIMEOUT, ABORTED };
enum { RESET_UNKNOWN, RESET_POWER, RESET_WATCHDOG, RESET_BROWN_OUT, RESET_EXTERNAL };

enum {
	NO_REASON, REQUESTED, SHOTS_DONE, LINK_TIMEOUT, KILL_INPUT, LATE, ON_TOO_LONG, NOT_ARMED, IS_ARMED, IS_FAULTED,
	NO_PROGRAM, BAD_PROGRAM, BAD_CRC, BAD_LENGTH, NO_SUCH_PIN, BAD_VALUE, UNSUPPORTED, UNKNOWN_TYPE, NOT_OPENED,
	NO_GATE, TOO_FAST, TOO_SLOW, BOUNCE, IS_RESTING, BUSY, NOT_NTH, LOST_EDGES, BOARD
};

/* crc_add updates the CRC with a byte. */
uint16_t crc_add(uint16_t crc, uint8_t byte);

static inline uint16_t get16(const uint8_t *at)
{
	uint16_t v;
	memcpy(&v, at, sizeof v);
	return v;
}

static inline uint32_t get32(const uint8_t *at)
{
	uint32_t v;
	memcpy(&v, at, sizeof v);
	return v;
}

/* A decoder extracts frames from bytes. Initialise it with zeros. */
struct decoder {
	uint8_t body[MAX_BODY];
	uint8_t length;   /* of the body so far */
	uint8_t taken;    /* bytes since the last zero; stops at 255 */
	uint8_t left;     /* of the piece */
	bool bad;
	uint16_t crc;     /* of the body but for its last two bytes */
	uint16_t dropped; /* pieces that were no frame; stops at 65535 */
};

/* decode takes a byte. It returns true when a frame is complete: type in body[0], seq in body[1], payload from
 * body[2], of length - 4 bytes. It must be used before the next byte is taken. */
bool decode(struct decoder *d, uint8_t byte);

/* A message under construction: type, seq, payload. */
struct message {
	uint8_t length;
	uint8_t body[MAX_BODY];
};

void put8(struct message *m, uint8_t v);
void put16(struct message *m, uint16_t v);
void put32(struct message *m, uint32_t v);

/* A ring buffer of encoded bytes with one writer and one reader. It is as long as its indices can count, so that
 * they wrap by themselves. */
struct ring {
	uint8_t data[256];
	volatile uint8_t write, read;
};

/* room is how many bytes fit into the ring. */
uint8_t room(const struct ring *r);

/* encode adds the CRC to m and writes it to the ring as a whole frame; false when it does not fit. */
bool encode(struct ring *r, struct message *m);

#endif
