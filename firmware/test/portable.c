/* The firmware's portable part as a program for tests. A line on stdin is answered by a line on stdout:
 *
 *   crc HEX                  the CRC of the bytes
 *   decode HEX               good frames and bad pieces of a stream, then each frame's type, seq and payload in hex
 *   encode HEX               the frame for type, seq and payload
 *   check HEX                reason and detail for an encoded program, on the board the next line but one describes
 *   board IN OUT KILL LEAD MAX...   what "check" holds programs to
 *   delay INTERVAL HEX       the delay of a program for an interval
 *   before A B               1 if tick A is before B */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "program.h"
#include "wire.h"

enum { LONGEST_LINE = 1 << 20 };

static uint8_t *bytes;
static size_t length;

static uint32_t max_on[8];
static struct limits limits = { .max_on = max_on };

static void print_hex(const uint8_t *p, size_t n)
{
	for (size_t i = 0; i < n; i++)
		printf("%02x", p[i]);
}

static void read_hex(const char *hex)
{
	unsigned byte;
	for (length = 0; sscanf(hex, "%2x", &byte) == 1; hex += 2)
		bytes[length++] = (uint8_t)byte;
}

static void print_crc(void)
{
	uint16_t crc = CRC_START;
	for (size_t i = 0; i < length; i++)
		crc = crc_add(crc, bytes[i]);
	printf("%u\n", crc);
}

static void print_frames(void)
{
	struct decoder d = { .left = 0 };
	unsigned good = 0;
	for (size_t i = 0; i < length; i++)
		if (decode(&d, bytes[i])) {
			good++;
			print_hex(d.body, d.length - 2U);
			printf(" ");
		}
	printf("%u %u\n", good, d.dropped);
}

static void print_frame(void)
{
	struct ring r = { .write = 200, .read = 200 }; /* across its end */
	struct message m = { .length = 0 };
	for (size_t i = 0; i < length; i++)
		put8(&m, bytes[i]);
	if (!encode(&r, &m))
		printf("full");
	for (; r.read != r.write; r.read++)
		printf("%02x", r.data[r.read]);
	printf("\n");
}

/* exact copies the bytes to memory that ends where they end, so that reading beyond is detected. */
static uint8_t *exact(void)
{
	uint8_t *p = malloc(length ? length : 1);
	if (!p)
		abort();
	memcpy(p, bytes, length);
	return p;
}

static void print_problem(void)
{
	uint8_t *loaded = exact();
	struct problem p = program_check(loaded, (uint16_t)length, &limits);
	printf("%u %" PRIu32 "\n", p.reason, p.detail);
	free(loaded);
}

static void print_delay(uint32_t interval)
{
	uint8_t *loaded = exact();
	struct program p;
	program_read(&p, loaded);
	printf("%" PRIu32 "\n", delay_for(&p, interval));
	free(loaded);
}

static void read_board(const char *numbers)
{
	unsigned in, out, kill;
	int used;
	if (sscanf(numbers, "%u %u %u %" SCNu32 "%n", &in, &out, &kill, &limits.lead, &used) != 4)
		abort();
	limits.inputs = (uint8_t)in;
	limits.outputs = (uint8_t)out;
	limits.kill = (uint8_t)kill;
	for (unsigned i = 0; i < out; i++) {
		int more;
		numbers += used;
		if (sscanf(numbers, "%" SCNu32 "%n", &max_on[i], &more) != 1)
			abort();
		used = more;
	}
	printf("ok\n");
}

int main(void)
{
	char *line = malloc(LONGEST_LINE);
	bytes = malloc(LONGEST_LINE / 2);
	if (!line || !bytes)
		abort();
	while (fgets(line, LONGEST_LINE, stdin)) {
		char *words = strchr(line, ' ');
		uint32_t a, b;
		int at;
		words = words ? words + 1 : line + strlen(line);
		read_hex(words);
		if (!strncmp(line, "crc ", 4))
			print_crc();
		else if (!strncmp(line, "decode ", 7))
			print_frames();
		else if (!strncmp(line, "encode ", 7))
			print_frame();
		else if (!strncmp(line, "check ", 6))
			print_problem();
		else if (!strncmp(line, "board ", 6))
			read_board(words);
		else if (sscanf(line, "delay %" SCNu32 " %n", &a, &at) == 1) {
			read_hex(line + at);
			print_delay(a);
		} else if (sscanf(line, "before %" SCNu32 " %" SCNu32, &a, &b) == 2)
			printf("%d\n", before(a, b));
		else
			printf("what?\n");
		fflush(stdout);
	}
	free(line);
	free(bytes);
	return 0;
}
