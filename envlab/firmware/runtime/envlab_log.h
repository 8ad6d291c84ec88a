/* The logger: the readings as they are, for the bench, over a serial port or whatever carries bytes.
 *
 * The interrupt that reads the converter calls envlab_log_take; the loop, or the interrupt of a transmitter
 * that is empty, calls envlab_log_byte. Taking a reading never waits: where the bytes go out too slowly a whole
 * block of readings is left out, counted, and seen in the numbers of the blocks. So the lights are never late
 * for the log's sake. It may be taken out of the program that is worn.
 *
 * A frame: 0xE5, 0x1A, kind, content, then the CRC-16 of kind and content (x^16 + x^12 + x^5 + 1 as in ITU-T
 * V.41, from 0xFFFF, the highest bit first). Every number goes out with its low byte first.
 *   kind 0x48: format (8 bit: 1), ADC bits (8), readings in a block (8), blocks left out so far (8, wraps),
 *              rate of the ADC in mHz (32), mark of the export (32); first of all, and every 32 blocks
 *   kind 0x52: number of the block (16, wraps), readings (16 each, shifted up to 16 bit as envlab_follow gets)
 *
 * At 1 kHz that is 2.6 kB a second: 57600 baud carry 2.2 kHz.
 */
#ifndef ENVLAB_LOG_H
#define ENVLAB_LOG_H

#include <stdint.h>

#include "envlab_parameters.h"

#ifdef __cplusplus
extern "C" {
#endif

#define ENVLAB_LOG_READINGS 16u
/* Blocks that wait to be sent: a power of two, 2 to 128; 34 bytes each. */
#ifndef ENVLAB_LOG_BLOCKS
#define ENVLAB_LOG_BLOCKS 4u
#endif

typedef struct {
    volatile uint16_t reading[ENVLAB_LOG_BLOCKS][ENVLAB_LOG_READINGS];
    volatile uint16_t number[ENVLAB_LOG_BLOCKS];
    volatile uint8_t written;  /* blocks handed to the sender, wraps */
    volatile uint8_t sent;     /* blocks that are free again, wraps */
    volatile uint8_t left_out; /* blocks that found no room, wraps */
    uint8_t filled;            /* readings in the block that is being written */
    uint8_t no_room;           /* 1: that block is left out */
    uint16_t block;            /* its number */
    uint16_t crc;              /* the sender's: of the frame so far */
    uint8_t place;             /* byte of the frame that goes next */
    uint8_t kind;              /* of that frame */
    uint8_t until_header;      /* blocks to be sent before the next header */
} envlab_log;

/* Empties it. Call it before either side runs. */
void envlab_log_start(envlab_log *log);

/* Takes one reading, as envlab_follow gets it. For the interrupt. */
void envlab_log_take(envlab_log *log, uint16_t reading);

/* Writes the next byte to be sent; returns 1, or 0 where there is nothing to send yet. */
uint8_t envlab_log_byte(envlab_log *log, uint8_t *byte);

#ifdef __cplusplus
}
#endif

#endif
