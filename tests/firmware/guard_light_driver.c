/* The guard's rounding, which no call shows by itself. Stimulus: duty. Record: its light, a duty shown so. */
#include "driver.h"
#include "envlab_guard.c"

void driver_start(void)
{
    envlab_guard_state state;

    envlab_guard_start(&state);
    (void)envlab_guard(&state, 0u);
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    const light_t light = light_of(driver_get16(input));

    record = driver_put16(record, light);
    (void)driver_put16(record, DUTY_OF(light));
}
