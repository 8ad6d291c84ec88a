/* Which pixels light: shares the duty that all pixels would have out among them.
 *
 * It stands behind the flash guard and before colours and envlab_frame.h. The light of the whole is a straight
 * line over the duty, whatever the layout: so the guard, which watches the duty, watches the light of the whole,
 * and at the table's brightest duty white pixels still fit the limit of the frame. Why, and what a layout is,
 * stands with its Python twin, in envlab/light/layout.
 *
 * Go through the places of the picture from 0 on, in both passes over the frame:
 *   channel's duty = envlab_scale(envlab_layout_duty(duty, place), colour)
 * Where ENVLAB_LAYOUT_STEP is not 0 the picture travels: call envlab_layout_next once a frame, before the
 * passes, and send place n to pixel n + state.place of the chain, from its end on to its beginning. Colours
 * belong to the places and travel with them: only so is the light of the whole the same wherever it stands.
 */
#ifndef ENVLAB_LAYOUT_H
#define ENVLAB_LAYOUT_H

#include <stdint.h>

#include "envlab_parameters.h"

#ifndef ENVLAB_LAYOUT_RANKS
#error "this design was exported with all pixels alike: leave envlab_layout.c out"
#endif

#ifdef __cplusplus
extern "C" {
#endif

#if ENVLAB_LAYOUT_RANKS > 256
typedef uint16_t envlab_layout_rank;
#else
typedef uint8_t envlab_layout_rank;
#endif

/* The table, in program memory: the rank of each place, and of each rank the duty at which it starts to rise
 * and its slope, one behind the other. */
extern const envlab_layout_rank envlab_layout_ranks[ENVLAB_FRAME_PIXELS];
extern const uint16_t envlab_layout_rises[2u * ENVLAB_LAYOUT_RANKS];

/* Returns the duty of a place of the picture, 0 to ENVLAB_FRAME_PIXELS - 1, at the duty that all would have. */
uint16_t envlab_layout_duty(uint16_t duty, uint16_t place);

#if ENVLAB_LAYOUT_STEP
/* Where a travelling picture stands; any values at the start. */
typedef struct {
    uint16_t place; /* the pixel that shows place 0 */
    uint16_t part;  /* how far on to the next pixel, in 1/65536 */
} envlab_layout_state;

/* Moves the picture on; call it at ENVLAB_BRIGHTNESS_RATE_HZ. */
void envlab_layout_next(envlab_layout_state *state);
#endif

#ifdef __cplusplus
}
#endif

#endif
