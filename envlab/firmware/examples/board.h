/* What the examples need of a board. Write these functions for your own; the examples call nothing else.
 * board_desk.c has them for a computer without any board. */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

#include "envlab_frame.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Starts the ADC and a timer that has `every_reading` called at ENVLAB_ADC_RATE_HZ, from an interrupt. */
void board_start(void (*every_reading)(void));

/* Returns the latest ADC result, shifted up to 16 bit: set the converter to left-justified results, or
 * shift its counts up by ENVLAB_ADC_SHIFT. */
uint16_t board_reading(void);

/* Returns 1 while the button for the sensitivity is held down, else 0; always 0 where there is none. */
uint8_t board_button(void);

/* Sends the codes to the pixels, ENVLAB_FRAME_BITS each, all channels of the first pixel first. */
void board_show(const envlab_code *codes, uint16_t count);

/* Says that the lights must stay dark, and why: one of the answers of envlab_boot_check, to be blinked with
 * the board's own small lamp. */
void board_alarm(uint8_t why);

/* Sleeps until something has happened. Returns 1; a test bench returns 0 to end. */
uint8_t board_wait(void);

#ifdef __cplusplus
}
#endif

#endif
