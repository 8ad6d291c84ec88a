/* What the examples need of a board. Write these functions for your own; the examples call nothing else. */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

#include "envlab_frame.h"

/* Starts the ADC and a timer that has `every_reading` called at ENVLAB_ADC_RATE_HZ, from an interrupt. */
void board_start(void (*every_reading)(void));

/* Returns the latest ADC result, shifted up to 16 bit: set the converter to left-justified results, or
 * shift its counts up by ENVLAB_ADC_SHIFT. */
uint16_t board_reading(void);

/* Sends the codes to the pixels, ENVLAB_FRAME_BITS each, all channels of the first pixel first. */
void board_show(const envlab_code *codes, uint16_t count);

/* Says that the brightness table in program memory is damaged. Keep the pixels dark. */
void board_alarm(void);

/* Sleeps until something has happened. Returns 1; a test bench returns 0 to end. */
uint8_t board_wait(void);

#endif
