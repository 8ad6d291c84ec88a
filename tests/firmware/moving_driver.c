/* Steps the moving mean or maximum. Stimulus: envelope (16 bit). Record: its answer (16), place (8), and the
 * oldest envelope that it holds (16). */
#include "driver.h"
#include "envlab_moving.h"

static envlab_moving_state state;

void driver_start(void)
{
    uint8_t *byte = (uint8_t *)&state;
    uint16_t left;

    /* Memory is not always zero at power-up: envlab_moving_start must set everything itself. */
    for (left = sizeof state; left != 0u; left--) {
        *byte++ = 0xA5u;
    }
    envlab_moving_start(&state);
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    record = driver_put16(record, envlab_moving(&state, driver_get16(input)));
    record = driver_put8(record, state.place);
    (void)driver_put16(record, state.past[state.place]);
}
