/* Hands one 16 bit word from an interrupt, or from a task that may cut in, to whoever asks.
 *
 * An 8 bit machine reads a word in two instructions, and an interrupt between them leaves one byte of the
 * old word beside one of the new. Two reads in a row that agree cannot both be torn by one interrupt, so
 * the reader asks again until they do. Nobody waits for a lock, and no interrupt is held up.
 *
 * One writer only, and it must come less often than a pair of reads takes: some microseconds. On machines
 * with several processors, declare the word atomic with the means of your compiler instead.
 */
#ifndef SNAPSHOT_H
#define SNAPSHOT_H

#include <stdint.h>

void snapshot_write(uint16_t word);
uint16_t snapshot_read(void);

#endif
