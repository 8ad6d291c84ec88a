/* The two calls that the twin's driver does not make: the whole step at once, and the look-up by itself.
 * Stimulus: reading (16 bit). Record: duty of the step, entry at a quarter of the reading. */
#include "driver.h"
#include "envlab_runtime.h"

static envlab_state state;

void driver_start(void)
{
    envlab_start(&state);
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    uint16_t reading = driver_get16(input);

    record = driver_put16(record, envlab_step(&state, reading));
    (void)driver_put16(record, envlab_look_up((uint16_t)(reading >> 2)));
}
