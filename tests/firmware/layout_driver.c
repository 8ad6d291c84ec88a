/* The layout of light. A step is a frame: a travelling picture moves on, and every place is asked.
 * Stimulus: duty (16 bit). Record: place and part of the picture (16 each, 0 where it stands), then the duty of
 * each of the last places (16), 32 at most. */
#include "driver.h"
#include "envlab_layout.h"

#if ENVLAB_LAYOUT_STEP
static envlab_layout_state state;
#endif

#if ENVLAB_FRAME_PIXELS > 32u
#define FIRST (ENVLAB_FRAME_PIXELS - 32u)
#else
#define FIRST 0u
#endif

void driver_start(void)
{
#if ENVLAB_LAYOUT_STEP
    state.place = 0u;
    state.part = 0u;
#endif
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    uint16_t duty = driver_get16(input);
    uint16_t place;

#if ENVLAB_LAYOUT_STEP
    envlab_layout_next(&state);
    record = driver_put16(record, state.place);
    record = driver_put16(record, state.part);
#else
    record = driver_put16(record, 0u);
    record = driver_put16(record, 0u);
#endif
    for (place = FIRST; place < ENVLAB_FRAME_PIXELS; place++) {
        record = driver_put16(record, envlab_layout_duty(duty, place));
    }
}
