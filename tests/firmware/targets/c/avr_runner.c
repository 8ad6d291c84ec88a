/* Runs a driver on libsimavr's processor model: stimuli from standard input, records to standard output.
 *
 *   avr_runner mcu=NAME code=FILE port=ADDR input=ADDR,BYTES record=ADDR,BYTES
 *              [profile=NAME,ADDR]... [cycles=ADDR] [interrupt=VECTOR,READER_ADDR]
 *
 * Addresses are numbers; code addresses count bytes. With `profile`, each call of the function at ADDR is
 * timed from its call (or the jump in place of a last call) to its return, and standard error gets one line
 * a function:
 *   NAME calls least_cycles most_cycles mean_cycles stack_bytes
 * where the stack includes the return address. With `cycles`, the cycles of each of those calls are written to
 * the four bytes at ADDR as soon as it has returned. With `interrupt`, the first two stimulus bytes are a
 * number k: VECTOR is raised when the function at READER_ADDR has run k of its instructions, answered after
 * one more if interrupts are on, and not raised at all if the function returns sooner.
 */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/sim_avr.h>
#include <simavr/sim_interrupts.h>
#include <simavr/sim_io.h>

#define MOST_PROFILES 32
#define CLOCK_HZ 16000000u
#define MOST_CYCLES_PER_STEP 2000000u
#define RETURN_ADDRESS_BYTES 2
#define SPL_ADDRESS 0x5D

struct profile {
    char name[64];
    uint32_t address;
    int inside;
    uint16_t stack_before, stack_lowest;
    uint64_t started, calls, least, most, sum;
    uint16_t stack_most;
};

static struct {
    uint16_t port, input, input_bytes, record, record_bytes, cycles;
    struct profile profiles[MOST_PROFILES];
    int profile_count;
    uint32_t reader;
    avr_int_vector_t vector;
    int interrupting, finished;
    int reading;
    uint16_t reader_stack;
    uint32_t left;
    uint64_t step_started;
} run;

static void fail(const char *what)
{
    fprintf(stderr, "avr_runner: %s\n", what);
    exit(2);
}

static void on_port(avr_t *avr, avr_io_addr_t address, uint8_t value, void *unused)
{
    (void)address;
    (void)unused;
    if (value == 1) {
        if (fread(avr->data + run.input, run.input_bytes, 1, stdin) != 1) {
            run.finished = 1;
            avr->state = cpu_Done;
        }
        run.step_started = avr->cycle;
        run.reading = 0;
    } else if (value == 2 && fwrite(avr->data + run.record, run.record_bytes, 1, stdout) != 1) {
        fail("cannot write a record");
    }
}

static uint16_t stack_pointer(const avr_t *avr)
{
    return (uint16_t)(avr->data[SPL_ADDRESS] | (avr->data[SPL_ADDRESS + 1] << 8));
}

static void watch(const avr_t *avr, struct profile *p, uint64_t cycle_before)
{
    const uint16_t stack = stack_pointer(avr);
    uint8_t *data = avr->data;
    uint64_t cycles;
    int n;

    if (!p->inside) {
        if (avr->pc == p->address) {
            p->inside = 1;
            p->started = cycle_before;
            p->stack_before = (uint16_t)(stack + RETURN_ADDRESS_BYTES);
            p->stack_lowest = stack;
        }
        return;
    }
    if (stack < p->stack_lowest) {
        p->stack_lowest = stack;
    }
    if (stack != p->stack_before) {
        return;
    }
    p->inside = 0;
    cycles = avr->cycle - p->started;
    if (run.cycles != 0) {
        for (n = 0; n < 4; n++) {
            data[run.cycles + n] = (uint8_t)(cycles >> (8 * n));
        }
    }
    if (p->calls == 0 || cycles < p->least) {
        p->least = cycles;
    }
    if (cycles > p->most) {
        p->most = cycles;
    }
    if (p->stack_before - p->stack_lowest > p->stack_most) {
        p->stack_most = (uint16_t)(p->stack_before - p->stack_lowest);
    }
    p->sum += cycles;
    p->calls++;
}

static void disturb(avr_t *avr, uint32_t pc_before)
{
    const uint16_t stack = stack_pointer(avr);

    if (run.reading && stack > run.reader_stack) {
        run.reading = 0;
    }
    if (!run.reading && pc_before == run.reader) {
        run.reading = 1;
        run.reader_stack = stack;
        run.left = (uint32_t)(avr->data[run.input] | (avr->data[run.input + 1] << 8));
    }
    if (run.reading && run.left-- == 0) {
        run.reading = 0;
        avr_raise_interrupt(avr, &run.vector);
    }
}

static void step_by_instruction(avr_t *avr)
{
    const uint64_t cycle_before = avr->cycle;
    const uint32_t pc_before = avr->pc;
    int i;

    if (run.interrupting) {
        disturb(avr, pc_before);
    }
    avr_run(avr);
    for (i = 0; i < run.profile_count; i++) {
        watch(avr, &run.profiles[i], cycle_before);
    }
}

static void load(avr_t *avr, const char *path)
{
    static uint8_t code[1 << 17];
    FILE *file = fopen(path, "rb");
    size_t bytes;

    if (file == NULL) {
        fail("cannot open the code");
    }
    bytes = fread(code, 1, sizeof code, file);
    fclose(file);
    if (bytes == 0 || bytes > avr->flashend + 1u) {
        fail("the code does not fit the flash");
    }
    avr_loadcode(avr, code, (uint32_t)bytes, 0);
    avr->codeend = (uint32_t)bytes;
}

static void add_profile(const char *text)
{
    struct profile *p = &run.profiles[run.profile_count++];

    if (run.profile_count > MOST_PROFILES || sscanf(text, "%63[^,],%u", p->name, &p->address) != 2) {
        fail("bad profile");
    }
}

static avr_t *prepare(int count, char **words)
{
    const char *mcu = NULL, *code = NULL;
    unsigned a, b;
    avr_t *avr;
    int i;

    for (i = 1; i < count; i++) {
        const char *w = words[i];
        if (strncmp(w, "mcu=", 4) == 0) {
            mcu = w + 4;
        } else if (strncmp(w, "code=", 5) == 0) {
            code = w + 5;
        } else if (sscanf(w, "port=%u", &a) == 1) {
            run.port = (uint16_t)a;
        } else if (sscanf(w, "input=%u,%u", &a, &b) == 2) {
            run.input = (uint16_t)a;
            run.input_bytes = (uint16_t)b;
        } else if (sscanf(w, "record=%u,%u", &a, &b) == 2) {
            run.record = (uint16_t)a;
            run.record_bytes = (uint16_t)b;
        } else if (sscanf(w, "cycles=%u", &a) == 1) {
            run.cycles = (uint16_t)a;
        } else if (sscanf(w, "interrupt=%u,%u", &a, &b) == 2) {
            run.interrupting = 1;
            run.vector.vector = (uint8_t)a;
            run.reader = b;
        } else if (strncmp(w, "profile=", 8) == 0) {
            add_profile(w + 8);
        } else {
            fail("unknown word on the command line");
        }
    }
    avr = mcu == NULL ? NULL : avr_make_mcu_by_name(mcu);
    if (avr == NULL || code == NULL) {
        fail("no such processor, or no code");
    }
    avr_init(avr);
    avr->frequency = CLOCK_HZ;
    avr->log = LOG_ERROR;
    load(avr, code);
    avr_register_io_write(avr, run.port, on_port, NULL);
    return avr;
}

static void arm_interrupt(avr_t *avr)
{
    const avr_regbit_t enable = AVR_IO_REGBIT(run.port, 7);

    run.vector.enable = enable;
    avr_register_vector(avr, &run.vector);
    avr_regbit_set(avr, enable);
}

int main(int count, char **words)
{
    avr_t *avr = prepare(count, words);
    int i;

    if (run.interrupting) {
        arm_interrupt(avr);
    }
    if (run.interrupting || run.profile_count > 0) {
        avr->run_cycle_limit = 1;
        avr->run_cycle_count = 1;
    }
    while (!run.finished) {
        if (run.interrupting || run.profile_count > 0) {
            step_by_instruction(avr);
        } else {
            avr_run(avr);
        }
        if (avr->state == cpu_Crashed || (avr->state == cpu_Done && !run.finished)) {
            fail("the program crashed");
        }
        if (avr->cycle - run.step_started > MOST_CYCLES_PER_STEP) {
            fail("the program does not come back");
        }
    }
    for (i = 0; i < run.profile_count; i++) {
        const struct profile *p = &run.profiles[i];
        fprintf(stderr, "%s %llu %llu %llu %.2f %u\n", p->name, (unsigned long long)p->calls,
                (unsigned long long)p->least, (unsigned long long)p->most,
                p->calls == 0 ? 0.0 : (double)p->sum / (double)p->calls, p->stack_most);
    }
    return fflush(stdout) == 0 ? 0 : 2;
}
