/* The parts that work on a frame of pixels, and the check of the table. A step is a frame, shown twice.
 * Stimulus: duty (16 bit), colour of each channel (16), phase of the dither pattern (8).
 * Record: codes of the first refresh, carry after it, codes of the second (16 each), sum of codes, sum of
 * fine duties (32), factor, carry after the second (16), limited, phase after both refreshes, table is whole (8). */
#include "driver.h"
#include "envlab_boot.h"
#include "envlab_frame.h"
#include "envlab_runtime.h"
#if ENVLAB_FRAME_DITHER_BITS != 0
#include "envlab_dither.h"
#endif

#define CHANNELS (ENVLAB_FRAME_PIXELS * ENVLAB_FRAME_CHANNELS)

static uint8_t whole;

void driver_start(void)
{
    whole = envlab_table_is_whole();
}

static uint16_t duty_of(const uint8_t *input, uint16_t channel)
{
    return envlab_scale(driver_get16(input), driver_get16(input + 2u + 2u * channel));
}

static uint16_t threshold_of(uint8_t phase, uint16_t pixel)
{
#if ENVLAB_FRAME_DITHER_BITS != 0
    return envlab_dither_threshold(phase, (uint8_t)(pixel & 0xFFu));
#else
    (void)phase;
    (void)pixel;
    return ENVLAB_FRAME_NEAREST;
#endif
}

static uint8_t *refresh(envlab_frame *frame, const uint8_t *input, uint8_t *phase, uint8_t *record)
{
    uint16_t channel = 0u;
    uint16_t pixel;
    uint8_t n;

#if ENVLAB_FRAME_DITHER_BITS != 0
    envlab_dither_refresh(phase);
#endif
    for (pixel = 0u; pixel < ENVLAB_FRAME_PIXELS; pixel++) {
        const uint16_t threshold = threshold_of(*phase, pixel);

        for (n = 0u; n < ENVLAB_FRAME_CHANNELS; n++) {
            record = driver_put16(record, envlab_frame_code(frame, duty_of(input, channel), threshold));
            channel++;
        }
    }
    return record;
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    envlab_frame frame;
    uint8_t *byte = (uint8_t *)&frame;
    uint8_t phase = input[2u + 2u * CHANNELS];
    uint16_t channel;
    uint8_t left;

    /* Memory is not always zero: envlab_frame_open must set everything itself. */
    for (left = sizeof frame; left != 0u; left--) {
        *byte++ = 0xA5u;
    }
    envlab_frame_open(&frame);
    for (channel = 0u; channel < CHANNELS; channel++) {
        envlab_frame_add(&frame, duty_of(input, channel));
    }
    envlab_frame_close(&frame);
    record = refresh(&frame, input, &phase, record);
    record = driver_put16(record, frame.carry);
    envlab_frame_again(&frame);
    record = refresh(&frame, input, &phase, record);
    record = driver_put32(record, frame.codes);
    record = driver_put32(record, frame.fine);
    record = driver_put16(record, frame.factor);
    record = driver_put16(record, frame.carry);
    record = driver_put8(record, frame.limited);
    record = driver_put8(record, phase);
    (void)driver_put8(record, whole);
}
