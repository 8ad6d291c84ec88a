/* Reset and main loop of an Arm board in qemu: stimuli.bin in, records.bin out, through semihosting
 * (Arm's "Semihosting for AArch32 and AArch64": SYS_OPEN 1, SYS_WRITE 5, SYS_READ 6, SYS_EXIT 0x18). */
#include "driver.h"

#define BATCH 64u
#define MODE_READ_BINARY 1u
#define MODE_WRITE_BINARY 5u
#define APPLICATION_EXIT 0x20026u
#define RUN_TIME_ERROR 0x20023u

extern uint32_t data_start, data_end, data_from, bss_start, bss_end, stack_top;
void reset(void);

__attribute__((section(".vectors"), used)) static const struct {
    void *stack;
    void (*reset)(void);
} vectors = {&stack_top, reset};

static uint32_t ask(uint32_t operation, uint32_t parameter)
{
    register uint32_t r0 __asm__("r0") = operation;
    register uint32_t r1 __asm__("r1") = parameter;
    __asm__ volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}

static uint32_t open_file(const char *name, uint32_t letters, uint32_t mode)
{
    const uint32_t block[3] = {(uint32_t)name, mode, letters};
    return ask(1u, (uint32_t)block);
}

/* Both return the number of bytes that were NOT moved. */
static uint32_t write_file(uint32_t file, const uint8_t *from, uint32_t bytes)
{
    const uint32_t block[3] = {file, (uint32_t)from, bytes};
    return ask(5u, (uint32_t)block);
}

static uint32_t read_file(uint32_t file, uint8_t *to, uint32_t bytes)
{
    const uint32_t block[3] = {file, (uint32_t)to, bytes};
    return ask(6u, (uint32_t)block);
}

static void run_all(void)
{
    static uint8_t input[BATCH * DRIVER_INPUT_BYTES];
    static uint8_t record[BATCH * DRIVER_RECORD_BYTES];
    const uint32_t in = open_file("stimuli.bin", 11u, MODE_READ_BINARY);
    const uint32_t out = open_file("records.bin", 11u, MODE_WRITE_BINARY);
    uint32_t steps, i;

    driver_start();
    do {
        steps = (sizeof input - read_file(in, input, sizeof input)) / DRIVER_INPUT_BYTES;
        for (i = 0; i < steps; i++) {
            driver_step(input + i * DRIVER_INPUT_BYTES, record + i * DRIVER_RECORD_BYTES);
        }
        if (steps != 0u && write_file(out, record, steps * DRIVER_RECORD_BYTES) != 0u) {
            (void)ask(0x18u, RUN_TIME_ERROR);
        }
    } while (steps == BATCH);
}

void reset(void)
{
    uint32_t *to;
    const uint32_t *from = &data_from;

    for (to = &data_start; to < &data_end;) {
        *to++ = *from++;
    }
    for (to = &bss_start; to < &bss_end;) {
        *to++ = 0u;
    }
    run_all();
    (void)ask(0x18u, APPLICATION_EXIT);
    for (;;) {
    }
}
