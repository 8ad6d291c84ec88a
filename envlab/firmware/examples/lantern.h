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

/* Shows every pixel in its own colour at this duty, within what the supply bears. */
void lantern_show(uint16_t duty);

/* Returns the duty that the current limit grants where this one is asked for: itself, or less. */
uint16_t lantern_granted(uint16_t duty);

/* Writes the pixels once more. Where the design dithers, call it between frames, so that the pixels are
 * written ENVLAB_FRAME_REFRESH_HZ times a second, lantern_show included. */
void lantern_refresh(void);

#ifdef __cplusplus
}
#endif

#endif
