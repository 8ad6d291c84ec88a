#include "lights.h"

#include "board.h"
#include "button.h"
#include "envlab_boot.h"
#include "envlab_parameters.h"
#include "envlab_runtime.h"
#include "hand_over.h"
#include "lantern.h"

/* Frames in a quarter of a second, at least two. */
#define PATIENCE ((uint16_t)(ENVLAB_BRIGHTNESS_RATE_HZ / 4ul + 2ul))

static envlab_state ear;
static envlab_state eye;
static uint16_t frames_without;
#if ENVLAB_OFFSET_STEPS > 1
static uint8_t offset_step;
#endif

uint8_t lights_start(void)
{
    hand_over_start();
    button_start();
    envlab_start(&ear);
    envlab_start(&eye);
    frames_without = 0u;
#if ENVLAB_OFFSET_STEPS > 1
    /* The sensitivity that the design has. */
    offset_step = (uint8_t)((ENVLAB_WINDOW_LEAST_SENSITIVE - ENVLAB_WINDOW_START) / ENVLAB_OFFSET_STEP);
#endif
    return envlab_boot_check();
}

void lights_hear(uint16_t reading)
{
    hand_over_write(envlab_follow(&ear, reading));
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

void lights_show(void)
{
    obey_button();
    lantern_show(envlab_brightness(&eye, latest_envelope()));
}
