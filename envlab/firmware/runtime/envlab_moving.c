#include "envlab_moving.h"

#include "envlab_products.h"

void envlab_moving_start(envlab_moving_state *state)
{
    uint8_t n = ENVLAB_MOVING_READINGS;

    while (n != 0u) {
        n--;
        state->past[n] = 0u;
    }
    state->place = 0u;
#if ENVLAB_MOVING_FACTOR
    state->total = 0x8000u;
#else
    state->highest = 0u;
#endif
}

/* Puts the latest envelope in the place of the oldest, which it returns. */
ENVLAB_INLINE unsigned exchange(envlab_moving_state *state, uint16_t envelope)
{
    uint8_t place = state->place;
    unsigned oldest = state->past[place];

    state->past[place] = envelope;
    place++;
    state->place = (place < ENVLAB_MOVING_READINGS) ? place : 0u;
    return oldest;
}

#if ENVLAB_MOVING_FACTOR
/* The whole products are summed up, so that what an envelope brought is taken away again to the last bit. */
uint16_t envlab_moving(envlab_moving_state *state, uint16_t envelope)
{
    uint32_t total = state->total;
    unsigned oldest = exchange(state, envelope);

    if (envelope >= oldest) {
        envlab_add_product(&total, envelope - oldest, ENVLAB_MOVING_FACTOR);
    } else {
        envlab_subtract_product(&total, oldest - envelope, ENVLAB_MOVING_FACTOR);
    }
    state->total = total;
    return (uint16_t)envlab_upper(total);
}
#else
/* The past is gone through only when its maximum has just been left behind. */
uint16_t envlab_moving(envlab_moving_state *state, uint16_t envelope)
{
    uint16_t highest = state->highest;
    unsigned oldest = exchange(state, envelope);

    if (envelope >= highest) {
        highest = envelope;
    } else if (oldest == highest) {
        uint8_t n = ENVLAB_MOVING_READINGS;

        highest = 0u;
        while (n != 0u) {
            n--;
            if (state->past[n] > highest) {
                highest = state->past[n];
            }
        }
    }
    state->highest = highest;
    return highest;
}
#endif
