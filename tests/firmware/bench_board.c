/* A board made of files: readings come from standard input, frames go to standard output.
 *
 * Each period of the ADC is three bytes: the reading, low byte first, and flags: 1 the button is down, 2 this
 * reading is missed, 4 the supply browns out before it, and the example begins anew with its memory as it
 * was. For the one loop the timer interrupts whenever the loop sleeps. With BENCH_TASKS two threads take
 * turns: the sampler has all its readings of a frame before the frame task goes on. */
#include "board.h"

#include <stdio.h>
#include <stdlib.h>

#define BUTTON 1
#define MISSED 2
#define BROWN_OUT 4

static uint16_t reading;
static int flags;

static int next_period(void)
{
    uint8_t bytes[3];

    if (fread(bytes, 1, 3, stdin) != 3) {
        return 0;
    }
    reading = (uint16_t)(bytes[0] | bytes[1] << 8);
    flags = bytes[2];
    return 1;
}

uint16_t board_reading(void)
{
    return reading;
}

uint8_t board_button(void)
{
    return (flags & BUTTON) != 0 ? 1u : 0u;
}

void board_show(const envlab_code *codes, uint16_t count)
{
    if (fwrite(codes, sizeof *codes, count, stdout) != count) {
        exit(2);
    }
}

void board_alarm(uint8_t why)
{
    printf("alarm %u", why);
}

#ifndef BENCH_TASKS
int example_main(void);

static void (*interrupt)(void);
static int again;

void board_start(void (*every_reading)(void))
{
    interrupt = every_reading;
    if (again) { /* the period in which the supply came back */
        again = 0;
        interrupt();
    }
}

uint8_t board_wait(void)
{
    if (!next_period()) {
        return 0u;
    }
    if ((flags & BROWN_OUT) != 0) {
        again = 1;
        return 0u;
    }
    if ((flags & MISSED) == 0) {
        interrupt();
    }
    return 1u;
}

int main(void)
{
    int status;

    do {
        status = example_main();
    } while (again);
    return status;
}
#else
#include "two_tasks.h"

#include <pthread.h>
#include <semaphore.h>

#define READINGS_PER_FRAME 10

static sem_t go_sampler, go_frame;
static int ended;

uint8_t wait_for_reading(void)
{
    static int left = READINGS_PER_FRAME;

    do {
        if (left == 0) {
            sem_post(&go_frame);
            sem_wait(&go_sampler);
            left = READINGS_PER_FRAME;
        }
        left--;
        if (!next_period()) {
            ended = 1;
            sem_post(&go_frame);
            return 0u;
        }
    } while ((flags & MISSED) != 0);
    return 1u;
}

uint8_t wait_for_frame(void)
{
    sem_post(&go_sampler);
    sem_wait(&go_frame);
    return (uint8_t)!ended;
}

static void *sampler(void *nothing)
{
    sem_wait(&go_sampler);
    sampler_task();
    return nothing;
}

int main(void)
{
    pthread_t other;

    if (two_tasks_may_start() == 0u) {
        return 1;
    }
    sem_init(&go_sampler, 0, 0);
    sem_init(&go_frame, 0, 0);
    if (pthread_create(&other, NULL, sampler, NULL) != 0) {
        return 3;
    }
    frame_task();
    return 0;
}
#endif
