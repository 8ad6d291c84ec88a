/* What a program asks at boot. Stimulus: one byte, unused. Record: the three answers (8 bit each). */
#include "driver.h"
#include "envlab_boot.h"

void driver_start(void)
{
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    (void)input;
    record = driver_put8(record, envlab_boot_check());
    record = driver_put8(record, envlab_table_is_whole());
    (void)driver_put8(record, envlab_golden_is_right());
}
