#include "start.h"

#include <avr/io.h>
#include <avr/wdt.h>

uint8_t reset_flags __attribute__((section(".noinit")));

/* before_main saves the cause of the reset, and stops the watchdog: after a watchdog reset it stays on, at its
 * shortest time. */
void before_main(void)
{
	reset_flags = MCUSR;
	MCUSR = 0;
	wdt_disable();
}
