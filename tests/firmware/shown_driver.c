/* The exported light, joined as the examples join it. A step is a frame.
 * Stimulus: how many readings to follow before the frame (8 bit), MOST readings (16 bit), offset step to choose
 * before it (8 bit, 255 for none).
 * Record: REFRESHES times the code (16 bit) of the first channel. */
#include "board.h"
#include "driver.h"
#include "envlab_parameters.h"
#include "envlab_runtime.h"
#include "lantern.h"
#if ENVLAB_MOVING_READINGS > 1
#include "envlab_moving.h"

static envlab_moving_state moving;
#endif
#if GUARDED
#include "envlab_guard.h"

static uint16_t most;
static envlab_guard_state guard;
#endif

static envlab_state ear, eye;
static uint8_t *shown;

void board_show(const envlab_code *codes, uint16_t count)
{
    (void)count;
    shown = driver_put16(shown, *codes);
}

void driver_start(void)
{
    envlab_start(&ear);
    envlab_start(&eye);
#if ENVLAB_MOVING_READINGS > 1
    envlab_moving_start(&moving);
#endif
#if GUARDED
    most = lantern_most();
    envlab_guard_start(&guard);
#endif
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    static uint16_t envelope;
    const uint8_t *reading = input + 1;
    uint16_t duty;
    uint8_t left;

    for (left = *input; left != 0u; left--) {
        envelope = envlab_follow(&ear, driver_get16(reading));
#if ENVLAB_MOVING_READINGS > 1
        envelope = envlab_moving(&moving, envelope);
#endif
        reading += 2;
    }
    if (input[1 + 2 * MOST] != 255u) {
        envlab_choose_offset(&eye, input[1 + 2 * MOST]);
    }
    duty = envlab_brightness(&eye, envelope);
#if GUARDED
    if (duty > most) {
        duty = most;
    }
    duty = envlab_guard(&guard, duty);
#endif
    shown = record;
    lantern_show(duty);
    for (left = REFRESHES - 1u; left != 0u; left--) {
        lantern_refresh();
    }
}
