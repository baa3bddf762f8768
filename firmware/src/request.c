#include "host.h"

#include <string.h>
#include <util/atomic.h>

#include "board.h"
#include "inputs.h"
#include "link.h"
#include "outputs.h"
#include "timebase.h"
#include "wire.h"

static uint8_t loaded[MAX_PROGRAM];

/* An introduction is sent piece by piece, as there is room, so that requests meanwhile do not wait for it. */
enum { INTRODUCED = 0, FIRST_INPUT = 2, FIRST_OUTPUT = FIRST_INPUT + INPUTS, LAST = FIRST_OUTPUT + OUTPUTS };
static uint8_t introduction, introduction_seq;

static const uint8_t *frame; /* the request that is handled, or NULL */

static const uint8_t *payload(void)
{
	return frame + 2;
}

static void answer(uint8_t type, uint8_t seq, uint8_t of)
{
	struct message *m = link_begin(type);
	put8(m, seq);
	put8(m, of);
}

static void ack(void)
{
	answer(ACK, frame[1], frame[0]);
	link_send();
}

static void refuse(uint8_t reason, uint32_t detail)
{
	struct message *m = link_begin(REFUSED);
	put8(m, frame[1]);
	put8(m, frame[0]);
	put8(m, reason);
	put32(m, detail);
	link_send();
}

/* check_size says whether the payload has the right size, and refuses it if not. */
static bool check_size(uint8_t size)
{
	if (link_length() == size)
		return true;
	refuse(BAD_LENGTH, link_length());
	return false;
}

static bool armed(void)
{
	bool is;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		is = board_armed();
	}
	return is;
}

static void ping(void)
{
	if (!check_size(4))
		return;
	struct message *m = link_begin(PONG);
	put32(m, get32(payload()));
	put32(m, now_atomic());
	link_send();
}

static void load(void)
{
	uint8_t size = link_length();
	if (size < 3 || size > 58) {
		refuse(BAD_LENGTH, size);
		return;
	}
	uint16_t offset = get16(payload());
	uint8_t n = size - 2;
	if (armed())
		refuse(IS_ARMED, 0);
	else if (offset + n > MAX_PROGRAM || offset > MAX_PROGRAM)
		refuse(BAD_LENGTH, MAX_PROGRAM);
	else {
		board.ready = false;
		memcpy(loaded + offset, payload() + 2, n);
		ack();
	}
}

static struct problem check(uint16_t length, uint16_t crc)
{
	static const struct limits limits = { INPUTS, OUTPUTS, 1U << IN_KILL, LEAD, max_on };
	if (length > MAX_PROGRAM)
		return (struct problem){ BAD_LENGTH, MAX_PROGRAM };
	uint16_t sum = CRC_START;
	for (uint16_t i = 0; i < length; i++)
		sum = crc_add(sum, loaded[i]);
	if (sum != crc)
		return (struct problem){ BAD_CRC, 0 };
	return program_check(loaded, length, &limits);
}

static void commit(void)
{
	if (!check_size(4))
		return;
	if (armed()) {
		refuse(IS_ARMED, 0);
		return;
	}
	board.ready = false;
	struct problem p = check(get16(payload()), get16(payload() + 2));
	if (p.reason) {
		refuse(p.reason, p.detail);
		return;
	}
	program_read(&board.program, loaded);
	board.must_go = board.program.opening > 0 || board.program.clock == NO_INPUT;
	board.ready = true;
	ack();
}

/* busy_reason is why the board can neither be armed nor pulse an output, or NO_REASON. Interrupts are off. */
static uint8_t busy_reason(void)
{
	if (board_killed())
		return KILL_INPUT;
	if (board.mode == FAULTED)
		return IS_FAULTED;
	if (board_armed())
		return IS_ARMED;
	if (outputs_busy())
		return BUSY;
	return NO_REASON;
}

/* reject_before rejects edges from before t, for this reason. */
static void reject_before(uint32_t t, uint8_t reason)
{
	board.not_before.at = t;
	board.not_before.set = true;
	board.early_reason = reason;
}

/* try_arm arms the board, or says why not. It does neither while the end of a rest is still to be reported, which would be
 * taken for a state of the new run. */
static bool try_arm(uint16_t shots, uint8_t *reason)
{
	bool done = false;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		if (!(board.events & EVENT_ARMED)) {
			*reason = busy_reason();
			if (!*reason && !board.ready)
				*reason = NO_PROGRAM;
			if (!*reason) {
				board.mode = ARMED;
				board.left = shots;
				board.bounced = board.lost = board.shot.bounced = 0;
				reject_before(now(), NOT_ARMED);
			}
			done = true;
		}
	}
	return done;
}

static void arm(void)
{
	if (!check_size(2))
		return;
	uint16_t shots = get16(payload());
	if (shots == 0) {
		refuse(BAD_VALUE, 0);
		return;
	}
	uint8_t reason;
	while (!try_arm(shots, &reason))
		report();
	if (reason) {
		refuse(reason, 0);
		return;
	}
	ack();
	report_ready();
}

/* stop makes the board safe, unless another end is still to be reported. */
static bool stop(uint8_t *mode)
{
	bool done = false;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		*mode = board_killed() ? FAULTED : SAFE;
		if (!(board.events & EVENT_FAULT)) {
			board_disarm(*mode);
			done = true;
		}
	}
	return done;
}

static void disarm(void)
{
	if (!check_size(0))
		return;
	uint8_t mode;
	while (!stop(&mode))
		report();
	report_stopped();
	ack();
	report_state(mode, mode == FAULTED ? KILL_INPUT : REQUESTED);
}

/* go_refusal is why Go is refused, or NO_REASON. Interrupts are off. */
static uint8_t go_refusal(void)
{
	if (board.mode == FIRING || (board.mode == ARMED && board.opened))
		return BUSY;
	if (board.mode == RESTING)
		return IS_RESTING;
	if (board.mode != ARMED)
		return NOT_ARMED;
	if (!board.must_go)
		return UNSUPPORTED;
	return NO_REASON;
}

/* open plans the opening cues, and the shot when no clock starts it. Interrupts are off. */
static void open(void)
{
	const struct program *p = &board.program;
	uint32_t t = now();
	board.base = t + LEAD;
	board.opened = true;
	reject_before(t, NOT_OPENED);
	outputs_plan(p, 1, board.base);
	if (p->clock == NO_INPUT && board.opened)
		board_accept(t, board.base, board.base, first_delay(p));
}

static void go(void)
{
	if (!check_size(0))
		return;
	uint8_t reason;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		reason = go_refusal();
		if (!reason)
			open();
	}
	if (reason) {
		refuse(reason, 0);
		return;
	}
	ack();
	if (board.program.clock != NO_INPUT)
		report_ready();
}

static void pulse(void)
{
	if (!check_size(5))
		return;
	uint8_t output = payload()[0];
	uint32_t width = get32(payload() + 1);
	if (width == 0) {
		refuse(BAD_VALUE, 1);
		return;
	}
	if (output >= OUTPUTS) {
		refuse(NO_SUCH_PIN, output);
		return;
	}
	if (width > max_on[output]) {
		refuse(ON_TOO_LONG, max_on[output]);
		return;
	}
	uint8_t reason;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		reason = busy_reason();
		if (!reason) {
			report_testing(output);
			outputs_test(output, width);
		}
	}
	if (reason)
		refuse(reason, 0);
	else
		ack();
}

static void set_level(void)
{
	if (!check_size(3))
		return;
	uint8_t input = payload()[0];
	if (input >= INPUTS)
		refuse(NO_SUCH_PIN, input);
	else if (input != IN_MICROPHONE)
		refuse(UNSUPPORTED, input);
	else {
		microphone_threshold(get16(payload() + 1));
		ack();
	}
}

static void identify(void)
{
	if (!check_size(0))
		return;
	introduction_seq = frame[1];
	introduction = 1;
}

/* introduce sends the next piece of an introduction. */
static void introduce(void)
{
	uint8_t piece = introduction++;
	if (piece < FIRST_INPUT)
		report_identity();
	else if (piece < FIRST_OUTPUT)
		report_input(piece - FIRST_INPUT);
	else if (piece < LAST)
		report_output(piece - FIRST_OUTPUT);
	else {
		introduction = INTRODUCED;
		answer(ACK, introduction_seq, IDENTIFY);
		link_send();
		report_state_again();
	}
}

static void dispatch(void)
{
	switch (frame[0]) {
	case IDENTIFY:
		identify();
		break;
	case PING:
		ping();
		break;
	case LOAD:
		load();
		break;
	case COMMIT:
		commit();
		break;
	case ARM:
		arm();
		break;
	case DISARM:
		disarm();
		break;
	case GO:
		go();
		break;
	case PULSE:
		pulse();
		break;
	case SET_LEVEL:
		set_level();
		break;
	default:
		refuse(UNKNOWN_TYPE, frame[0]);
	}
}

bool request(void)
{
	if (!frame) {
		frame = link_receive();
		if (frame)
			report_heard(now_atomic());
	}
	if (frame && !(introduction && frame[0] == IDENTIFY)) {
		dispatch();
		frame = NULL;
	}
	if (introduction && link_ready(4))
		introduce();
	return frame || introduction || link_waiting();
}
