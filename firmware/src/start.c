#include "start.h"

#include <avr/io.h>
#include <avr/wdt.h>

uint8_t reset_flags __attribute__((section(".noinit")));

/* before_main keeps why the chip was reset, and stops the watchdog: after it has reset the chip it stays on, at its
 * shortest time. */
void before_main(void)
{
	reset_flags = MCUSR;
	MCUSR = 0;
	wdt_disable();
}
