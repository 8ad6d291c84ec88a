/* One state for the task that reads, one for the task that shows; only the envelope passes between them.
 * Stimulus: reading (16 bit). Record: duty (16 bit). */
#include "driver.h"
#include "envlab_runtime.h"

static envlab_state ear, eye;

void driver_start(void)
{
    envlab_start(&ear);
    envlab_start(&eye);
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    (void)driver_put16(record, envlab_brightness(&eye, envlab_follow(&ear, driver_get16(input))));
}
