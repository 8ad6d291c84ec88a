/* The level of every envelope: with a window over the whole range and a table that climbs one for each level
 * unit, the duty is the level. Stimulus: envelope (16 bit). Record: duty (16 bit). */
#include "driver.h"
#include "envlab_runtime.h"

static envlab_state state;

void driver_start(void)
{
    envlab_start(&state);
    /* the one dark frame of this design */
    (void)envlab_brightness(&state, 0u);
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    (void)driver_put16(record, envlab_brightness(&state, driver_get16(input)));
}
