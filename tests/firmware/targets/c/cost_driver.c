/* What is timed: the whole step, and the follower with the interpolated look-up alone.
 * Stimulus: a reading, 16 bit. Record: both results and, where a cycle counter is in reach, three counts. */
#include "driver.h"
#include "envlab_runtime.h"

static envlab_state whole, simple;

DRIVER_KEEP uint16_t cost_follow_and_look_up(envlab_state *state, uint16_t reading);
DRIVER_KEEP uint16_t cost_nothing(envlab_state *state, uint16_t reading);

uint16_t cost_follow_and_look_up(envlab_state *state, uint16_t reading)
{
    return envlab_look_up(envlab_follow(state, reading));
}

uint16_t cost_nothing(envlab_state *state, uint16_t reading)
{
    (void)state;
    return reading;
}

#if defined(__MSP430__)
/* Timer A of the MSP430x1xx family, counting the processor's clock. */
#define TIMER_CONTROL (*(volatile uint16_t *)0x0160u)
#define TIMER_COUNT (*(volatile uint16_t *)0x0170u)
#define TIMER_START() (TIMER_CONTROL = 0x0220u)
#else
#define TIMER_COUNT 0u
#define TIMER_START() ((void)0)
#endif

typedef uint16_t timed(envlab_state *state, uint16_t reading);

static uint8_t *measure(timed *call, envlab_state *state, uint16_t reading, uint8_t *record)
{
    const uint16_t before = TIMER_COUNT;
    const uint16_t result = call(state, reading);
    const uint16_t after = TIMER_COUNT;

    return driver_put16(driver_put16(record, result), (uint16_t)(after - before));
}

void driver_start(void)
{
    envlab_start(&whole);
    envlab_start(&simple);
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    const uint16_t reading = driver_get16(input);

    TIMER_START();
    record = measure(envlab_step, &whole, reading, record);
    record = measure(cost_follow_and_look_up, &simple, reading, record);
    (void)measure(cost_nothing, &simple, reading, record);
}
