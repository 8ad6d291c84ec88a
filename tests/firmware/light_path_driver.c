/* The whole light path, joined as the examples join it. A step is a frame.
 * Stimulus: READINGS readings (16 bit), offset step to choose before the frame (8 bit, 255 for none).
 * Record: duty word (16 bit), then REFRESHES times the codes of all channels (8 or 16 bit). */
#include "board.h"
#include "driver.h"
#include "envlab_parameters.h"
#include "envlab_runtime.h"
#include "lantern.h"
#if ENVLAB_MOVING_READINGS > 1
#include "envlab_moving.h"

static envlab_moving_state moving;
#endif
#if ENVLAB_GUARD
#include "envlab_guard.h"
#endif

static envlab_state ear, eye;
static uint8_t *shown;
#if ENVLAB_GUARD
static uint16_t most;
static envlab_guard_state guard;
#endif

void board_show(const envlab_code *codes, uint16_t count)
{
    for (; count != 0u; count--) {
#if ENVLAB_FRAME_BITS > 8
        shown = driver_put16(shown, *codes++);
#else
        shown = driver_put8(shown, *codes++);
#endif
    }
}

void driver_start(void)
{
    envlab_start(&ear);
    envlab_start(&eye);
#if ENVLAB_MOVING_READINGS > 1
    envlab_moving_start(&moving);
#endif
#if ENVLAB_GUARD
    most = lantern_most();
    envlab_guard_start(&guard);
#endif
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    uint16_t envelope = 0u;
    uint16_t duty;
    uint8_t left;

    for (left = READINGS; left != 0u; left--) {
        envelope = envlab_follow(&ear, driver_get16(input));
#if ENVLAB_MOVING_READINGS > 1
        envelope = envlab_moving(&moving, envelope);
#endif
        input += 2;
    }
    if (*input != 255u) {
        envlab_choose_offset(&eye, *input);
    }
    duty = envlab_brightness(&eye, envelope);
#if ENVLAB_GUARD
    if (duty > most) {
        duty = most;
    }
    duty = envlab_guard(&guard, duty);
#endif
    shown = driver_put16(record, duty);
    lantern_show(duty);
    for (left = REFRESHES - 1u; left != 0u; left--) {
        lantern_refresh();
    }
}
