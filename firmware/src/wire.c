#include "wire.h"

uint16_t crc_add(uint16_t crc, uint8_t byte)
{
	uint8_t x = (uint8_t)(crc >> 8) ^ byte;
	x ^= (uint8_t)(x >> 4);
	return (uint16_t)((crc << 8) ^ ((uint16_t)x << 12) ^ ((uint16_t)x << 5) ^ x);
}

static void body_add(struct decoder *d, uint8_t byte)
{
	if (d->length == MAX_BODY) {
		d->bad = true;
		return;
	}
	if (d->length >= 2)
		d->crc = crc_add(d->length == 2 ? CRC_START : d->crc, d->body[d->length - 2]);
	d->body[d->length++] = byte;
}

/* end_frame checks what was received before a zero. */
static bool end_frame(struct decoder *d)
{
	if (d->taken == 0)
		return false;
	bool good = !d->bad && d->left == 0 && d->length >= 4 && get16(&d->body[d->length - 2]) == d->crc;
	if (!good && d->dropped < UINT16_MAX)
		d->dropped++;
	return good;
}

bool decode(struct decoder *d, uint8_t byte)
{
	if (byte == 0) {
		bool good = end_frame(d);
		d->taken = 0;
		d->left = 0;
		d->bad = false;
		if (!good)
			d->length = 0;
		return good;
	}
	if (d->taken == 0)
		d->length = 0;
	if (d->left > 0) {
		body_add(d, byte);
		d->left--;
	} else {
		if (d->taken > 0)
			body_add(d, 0);
		d->left = byte - 1;
	}
	if (d->taken < UINT8_MAX)
		d->taken++;
	return false;
}

void put8(struct message *m, uint8_t v)
{
	if (m->length < MAX_BODY)
		m->body[m->length++] = v;
}

void put16(struct message *m, uint16_t v)
{
	put8(m, (uint8_t)v);
	put8(m, (uint8_t)(v >> 8));
}

void put32(struct message *m, uint32_t v)
{
	put16(m, (uint16_t)v);
	put16(m, (uint16_t)(v >> 16));
}

uint8_t room(const struct ring *r)
{
	return (uint8_t)(r->read - r->write - 1);
}

bool encode(struct ring *r, struct message *m)
{
	uint16_t crc = CRC_START;
	for (uint8_t i = 0; i < m->length; i++)
		crc = crc_add(crc, m->body[i]);
	put16(m, crc);
	if (room(r) < m->length + 2)
		return false;
	uint8_t at = r->write, piece = at++, length = 1;
	for (uint8_t i = 0; i < m->length; i++) {
		uint8_t byte = m->body[i];
		if (byte == 0) {
			r->data[piece] = length;
			piece = at++;
			length = 1;
		} else {
			r->data[at++] = byte;
			length++;
		}
	}
	r->data[piece] = length;
	r->data[at++] = 0;
	r->write = at;
	return true;
}
