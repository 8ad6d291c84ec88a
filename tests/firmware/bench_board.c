/* A board made of files: readings come from standard input, frames go to standard output.
 *
 * For the bare main loop the timer interrupts whenever the loop sleeps. With BENCH_TASKS two threads take
 * turns: the sampler has all its readings of a frame before the frame task goes on. */
#include "board.h"

#include <stdio.h>
#include <stdlib.h>

static void (*interrupt)(void);
static uint16_t reading;

static int next_reading(void)
{
    uint8_t bytes[2];

    if (fread(bytes, 1, 2, stdin) != 2) {
        return 0;
    }
    reading = (uint16_t)(bytes[0] | bytes[1] << 8);
    return 1;
}

void board_start(void (*every_reading)(void))
{
    interrupt = every_reading;
}

uint16_t board_reading(void)
{
    return reading;
}

void board_show(const envlab_code *codes, uint16_t count)
{
    if (fwrite(codes, sizeof *codes, count, stdout) != count) {
        exit(2);
    }
}

void board_alarm(void)
{
    fputs("alarm", stdout);
}

#ifndef BENCH_TASKS
uint8_t board_wait(void)
{
    if (!next_reading()) {
        return 0u;
    }
    interrupt();
    return 1u;
}
#else
#include "two_tasks.h"

#include <pthread.h>
#include <semaphore.h>

#define READINGS_PER_FRAME 10

static sem_t go_sampler, go_frame;
static int ended;

uint8_t board_wait(void)
{
    return 0u;
}

uint8_t wait_for_reading(void)
{
    static int left = READINGS_PER_FRAME;

    if (left == 0) {
        sem_post(&go_frame);
        sem_wait(&go_sampler);
        left = READINGS_PER_FRAME;
    }
    left--;
    if (!next_reading()) {
        ended = 1;
        sem_post(&go_frame);
        return 0u;
    }
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

    sem_init(&go_sampler, 0, 0);
    sem_init(&go_frame, 0, 0);
    if (pthread_create(&other, NULL, sampler, NULL) != 0) {
        return 3;
    }
    frame_task();
    return 0;
}
#endif
