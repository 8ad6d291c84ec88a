#include "lights.h"

#include "board.h"
#include "button.h"
#include "envlab_boot.h"
#include "envlab_parameters.h"
#if ENVLAB_GUARD
#include "envlab_guard.h"
#endif
#if ENVLAB_MOVING_READINGS > 1
#include "envlab_moving.h"
#endif
#include "envlab_runtime.h"
#include "hand_over.h"
#include "lantern.h"

/* Frames in a quarter of a second, at least two. */
#define PATIENCE ((uint16_t)(ENVLAB_BRIGHTNESS_RATE_HZ / 4ul + 2ul))

static envlab_state ear;
static envlab_state eye;
#if ENVLAB_MOVING_READINGS > 1
static envlab_moving_state moving;
#endif
#if ENVLAB_GUARD
static envlab_guard_state guard;
static uint16_t most;
#endif
static uint16_t frames_without;
#if LIGHTS_REFRESHES > 255
#error "the pixels are written too often for each frame"
#elif LIGHTS_REFRESHES > 1
static uint8_t refresh;
#endif
#if ENVLAB_OFFSET_STEPS > 1
static uint8_t offset_step;
#endif

uint8_t lights_start(void)
{
    hand_over_start();
    button_start();
    envlab_start(&ear);
    envlab_start(&eye);
#if ENVLAB_MOVING_READINGS > 1
    envlab_moving_start(&moving);
#endif
#if ENVLAB_GUARD
    envlab_guard_start(&guard);
    most = lantern_most();
#endif
    frames_without = 0u;
#if LIGHTS_REFRESHES > 1
    refresh = LIGHTS_REFRESHES - 1u;
#endif
#if ENVLAB_OFFSET_STEPS > 1
    /* The sensitivity that the design has. */
    offset_step = (uint8_t)((ENVLAB_WINDOW_LEAST_SENSITIVE - ENVLAB_WINDOW_START) / ENVLAB_OFFSET_STEP);
#endif
    return envlab_boot_check();
}

void lights_hear(uint16_t reading)
{
    uint16_t envelope = envlab_follow(&ear, reading);

#if ENVLAB_MOVING_READINGS > 1
    envelope = envlab_moving(&moving, envelope);
#endif
    hand_over_write(envelope);
}

/* Each press is one step more sensitive; behind the most sensitive comes the least. */
static void obey_button(void)
{
#if ENVLAB_OFFSET_STEPS > 1
    if (button_pressed(board_button()) != 0u) {
        offset_step++;
        if (offset_step >= ENVLAB_OFFSET_STEPS) {
            offset_step = 0u;
        }
        envlab_choose_offset(&eye, offset_step);
    }
#endif
}

static uint16_t latest_envelope(void)
{
    if (hand_over_arrived() != 0u) {
        frames_without = 0u;
    } else if (frames_without < PATIENCE) {
        frames_without++;
    }
    return (frames_without < PATIENCE) ? hand_over_read() : (uint16_t)0u;
}

/* What the guard lets through, of a duty that the current limit will leave as it is. */
static uint16_t guarded(uint16_t duty)
{
#if ENVLAB_GUARD
    duty = envlab_guard(&guard, (duty > most) ? most : duty);
#endif
    return duty;
}

static void show_frame(void)
{
    obey_button();
    lantern_show(guarded(envlab_brightness(&eye, latest_envelope())));
}

void lights_show(void)
{
#if LIGHTS_REFRESHES > 1
    refresh++;
    if (refresh < LIGHTS_REFRESHES) {
        lantern_refresh();
        return;
    }
    refresh = 0u;
#endif
    show_frame();
}
