/* Two tasks under any operating system that lets a more urgent task cut in.
 *
 * Make sampler_task the more urgent one. Each task sleeps in a function of yours until its next period:
 * wait_for_reading at ENVLAB_ADC_RATE_HZ, wait_for_frame at ENVLAB_BRIGHTNESS_RATE_HZ. Both return 1;
 * a test bench returns 0 to end the task. */
#ifndef TWO_TASKS_H
#define TWO_TASKS_H

#include <stdint.h>

void sampler_task(void);
void frame_task(void);

uint8_t wait_for_reading(void);
uint8_t wait_for_frame(void);

#endif
