/* Two tasks under any operating system that lets a more urgent task cut in.
 *
 * Make frame_task the more urgent one: its work is short and due at a fixed moment, and lights that stutter
 * are seen. It may be the other way round as well. Call two_tasks_may_start once, before either task runs.
 * Each task sleeps in a function of yours until its next period: wait_for_reading at ENVLAB_ADC_RATE_HZ,
 * wait_for_frame LIGHTS_REFRESHES times for each of the ENVLAB_BRIGHTNESS_RATE_HZ frames of a second. Both
 * return 1; a test bench returns 0 to end the task. */
#ifndef TWO_TASKS_H
#define TWO_TASKS_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Returns 1, or 0 after it has called board_alarm: then start neither task and keep the pixels dark. */
uint8_t two_tasks_may_start(void);

void sampler_task(void);
void frame_task(void);

uint8_t wait_for_reading(void);
uint8_t wait_for_frame(void);

#ifdef __cplusplus
}
#endif

#endif
