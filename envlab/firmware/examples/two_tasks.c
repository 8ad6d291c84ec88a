#include "two_tasks.h"

#include "board.h"
#include "envlab_runtime.h"
#include "lantern.h"
#include "snapshot.h"

/* Each task has a state of its own; what passes between them is one word. */
void sampler_task(void)
{
    envlab_state ear;

    envlab_start(&ear);
    while (wait_for_reading() != 0u) {
        snapshot_write(envlab_follow(&ear, board_reading()));
    }
}

void frame_task(void)
{
    envlab_state eye;

    if (envlab_table_is_whole() == 0u) {
        board_alarm();
        return;
    }
    envlab_start(&eye);
    while (wait_for_frame() != 0u) {
        lantern_show(envlab_brightness(&eye, snapshot_read()));
    }
}
