/* The two tasks without an operating system: whenever the frame task waits, the sampler has its readings of
 * one frame. Under an operating system, main creates both tasks, and each wait sleeps until the task's
 * period. */
#include "board.h"
#include "envlab_parameters.h"
#include "lights.h"
#include "two_tasks.h"

static uint32_t readings_left;
static uint8_t ended;

uint8_t wait_for_reading(void)
{
    if (readings_left == 0u || ended != 0u) {
        return 0u;
    }
    readings_left--;
    ended = (uint8_t)(board_wait() == 0u);
    return (uint8_t)(ended == 0u);
}

uint8_t wait_for_frame(void)
{
    readings_left = (uint32_t)(ENVLAB_ADC_RATE_HZ / (ENVLAB_BRIGHTNESS_RATE_HZ * LIGHTS_REFRESHES));
    sampler_task();
    return (uint8_t)(ended == 0u);
}

int main(void)
{
    if (two_tasks_may_start() == 0u) {
        return 1;
    }
    frame_task();
    return 0;
}
