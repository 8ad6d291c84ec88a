/* The parts that work on a frame of pixels, and the check of the table.
 * Stimulus: sum of a frame (32 bit), duty, factor (16), phase, place (8).
 * Record: frame factor, scaled duty (16), byte, dithered byte, phase after a refresh, table is whole (8). */
#include "driver.h"
#include "envlab_boot.h"
#include "envlab_dither.h"
#include "envlab_frame.h"
#include "envlab_runtime.h"

static uint8_t whole;

void driver_start(void)
{
    whole = envlab_table_is_whole();
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    const uint16_t duty = driver_get16(input + 4);
    uint8_t phase = input[8];

    record = driver_put16(record, envlab_frame_factor(driver_get32(input)));
    record = driver_put16(record, envlab_scale(duty, driver_get16(input + 6)));
    record = driver_put8(record, envlab_byte(duty));
    record = driver_put8(record, envlab_dither_byte(phase, input[9], duty));
    envlab_dither_refresh(&phase);
    record = driver_put8(record, phase);
    (void)driver_put8(record, whole);
}
