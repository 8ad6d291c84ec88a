/* A program that starts the runtime and steps it, and does nothing else: what it brings along is the cost. */
#include "driver.h"
#include "envlab_runtime.h"

envlab_state size_of_state;

void driver_start(void)
{
    envlab_start(&size_of_state);
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    (void)driver_put16(record, envlab_step(&size_of_state, driver_get16(input)));
}
