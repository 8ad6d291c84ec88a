/* One lantern: the design's pixels, each in its own colour, all in step with the sound. */
#ifndef LANTERN_H
#define LANTERN_H

#include <stdint.h>

#include "envlab_parameters.h"

#define LANTERN_PIXELS ENVLAB_FRAME_PIXELS
#define LANTERN_CHANNELS ENVLAB_FRAME_CHANNELS

#ifdef __cplusplus
extern "C" {
#endif

/* Returns the largest duty that the supply bears in these colours. Ask once, at the start, and hold every duty
 * at it before the flash guard: then nothing is taken away from what the guard has counted. */
uint16_t lantern_most(void);

/* Shows every pixel in its own colour at this duty, within what the supply bears. */
void lantern_show(uint16_t duty);

/* Writes the pixels once more. Where the design dithers, call it between frames, so that the pixels are
 * written ENVLAB_FRAME_REFRESH_HZ times a second, lantern_show included. */
void lantern_refresh(void);

#ifdef __cplusplus
}
#endif

#endif
