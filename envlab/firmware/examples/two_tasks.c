#include "two_tasks.h"

#include "board.h"
#include "lights.h"

uint8_t two_tasks_may_start(void)
{
    uint8_t why = lights_start();

    if (why != 0u) {
        board_alarm(why);
        return 0u;
    }
    return 1u;
}

void sampler_task(void)
{
    while (wait_for_reading() != 0u) {
        lights_hear(board_reading());
    }
}

void frame_task(void)
{
    while (wait_for_frame() != 0u) {
        lights_show();
    }
}
