/* From duties to the codes of a frame of pixels: the supply's limit and the pixels' depth.
 *
 * Duties are linear light in 16 bit, 65535 is full; make each channel's with envlab_scale(duty, colour). A
 * code has ENVLAB_FRAME_BITS bits; it is the nearest to the duty, half up. ENVLAB_FRAME_LIMIT, which belongs
 * to pixels and supply, is the largest sum of all codes that the supply bears. A frame that would pass it is
 * scaled down as a whole and its codes are cut instead of rounded: the sum then lies within one code for
 * each lit channel under the limit, and never above it.
 *
 * No buffer is needed. Go through all channels of the frame twice, in the same order:
 *   envlab_frame_open(&frame);
 *   for each channel: envlab_frame_add(&frame, duty);
 *   envlab_frame_close(&frame);
 *   for each channel: code = envlab_frame_code(&frame, duty, ENVLAB_FRAME_NEAREST);
 * To write the same frame once more, begin again with envlab_frame_again.
 */
#ifndef ENVLAB_FRAME_H
#define ENVLAB_FRAME_H

#include <stdint.h>

#include "envlab_parameters.h"

#ifdef __cplusplus
extern "C" {
#endif

#if ENVLAB_FRAME_BITS > 8
typedef uint16_t envlab_code;
#else
typedef uint8_t envlab_code;
#endif

/* The threshold that gives the nearest code; envlab_dither.h has those of a dither pattern. */
#define ENVLAB_FRAME_NEAREST ((uint16_t)((1ul << (16 - ENVLAB_FRAME_BITS)) >> 1))

/* What is known of one frame. Only the functions below change it. */
typedef struct {
    uint32_t codes;    /* sum of the codes as they would be shown */
    uint32_t fine;     /* sum of the duties in codes with 16 - ENVLAB_FRAME_BITS binary places */
    uint16_t factor;   /* of every duty where limited, as envlab_scale has it */
    uint16_t carry;    /* what the last channel's product left over */
    uint8_t limited;   /* 1 where the frame must be scaled down */
} envlab_frame;

/* Begins a new frame. */
void envlab_frame_open(envlab_frame *frame);

/* Takes the duty of the next channel; at most 32768 channels. */
void envlab_frame_add(envlab_frame *frame, uint16_t duty);

/* Ends the first pass and decides whether the frame must be scaled down. */
void envlab_frame_close(envlab_frame *frame);

/* Begins another pass for codes over the same frame. */
void envlab_frame_again(envlab_frame *frame);

/* Returns the code of the next channel. */
envlab_code envlab_frame_code(envlab_frame *frame, uint16_t duty, uint16_t threshold);

#ifdef __cplusplus
}
#endif

#endif
