/* Mean or maximum of the last ENVLAB_MOVING_READINGS envelopes, so that a frame shows all readings since the
 * frame before it and not the latest alone.
 *
 * It belongs to the ear: call it with every envelope that envlab_follow returns, and hand its answer over.
 * ENVLAB_MOVING_FACTOR is each envelope's share in the mean; where it is 0, the maximum is taken. */
#ifndef ENVLAB_MOVING_H
#define ENVLAB_MOVING_H

#include <stdint.h>

#include "envlab_parameters.h"

#if ENVLAB_MOVING_READINGS < 2
#error "this design shows the latest envelope: it has neither a moving mean nor a moving maximum"
#endif

#ifdef __cplusplus
extern "C" {
#endif

typedef struct {
#if ENVLAB_MOVING_FACTOR
    uint32_t total;                            /* unsigned Q16.16 of an envelope word: the mean, and a half */
#else
    uint16_t highest;                          /* envelope word: the maximum */
#endif
    uint16_t past[ENVLAB_MOVING_READINGS];     /* envelope words, in a ring */
    uint8_t place;                             /* of the oldest */
} envlab_moving_state;

/* Puts the state to silence. Call it after every reset, whatever memory holds. */
void envlab_moving_start(envlab_moving_state *state);

/* Takes the latest envelope. Returns the mean, rounded half up, or the maximum. */
uint16_t envlab_moving(envlab_moving_state *state, uint16_t envelope);

#ifdef __cplusplus
}
#endif

#endif
