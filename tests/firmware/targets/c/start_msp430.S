; Reset of the 16-bit machine, and the 32-bit helpers that the compiler calls for what one instruction
; cannot do, each in its own section so that unused ones are left out. The simulator loads .data where it
; runs, so only .bss is cleared here.
    .section .text.start, "ax"
    .globl _start
_start:
    mov #0xB000, r1
    tst &driver_batch
    jz 2f
    mov #bss_start, r12
1:  cmp #bss_end, r12
    jhs 2f
    clr 0(r12)
    incd r12
    jmp 1b
2:  call #main
3:  jmp 3b

; r12:r13 times r14:r15, low 32 bits to r12:r13
    .section .text.__mspabi_mpyl, "ax"
    .globl __mspabi_mpyl
__mspabi_mpyl:
    push r10
    push r11
    mov r12, r10
    mov r13, r11
    clr r12
    clr r13
    jmp 3f
1:  clrc
    rrc r15
    rrc r14
    jnc 2f
    add r10, r12
    addc r11, r13
2:  rla r10
    rlc r11
3:  tst r14
    jnz 1b
    tst r15
    jnz 1b
    pop r11
    pop r10
    ret

; r12 times r13, low 16 bits to r12
    .section .text.__mspabi_mpyi, "ax"
    .globl __mspabi_mpyi
__mspabi_mpyi:
    mov r12, r14
    clr r12
    jmp 3f
1:  clrc
    rrc r13
    jnc 2f
    add r14, r12
2:  rla r14
3:  tst r13
    jnz 1b
    ret

; r12:r13 shifted left by r14
    .section .text.__mspabi_slll, "ax"
    .globl __mspabi_slll
__mspabi_slll:
    jmp 2f
1:  rla r12
    rlc r13
    dec r14
2:  tst r14
    jnz 1b
    ret

; r12:r13 shifted right by r14, zeros from above
    .section .text.__mspabi_srll, "ax"
    .globl __mspabi_srll
__mspabi_srll:
    jmp 2f
1:  clrc
    rrc r13
    rrc r12
    dec r14
2:  tst r14
    jnz 1b
    ret

; r12 shifted left by r13
    .section .text.__mspabi_slli, "ax"
    .globl __mspabi_slli
__mspabi_slli:
    jmp 2f
1:  rla r12
    dec r13
2:  tst r13
    jnz 1b
    ret

; r12 shifted right by r13, zeros from above
    .section .text.__mspabi_srli, "ax"
    .globl __mspabi_srli
__mspabi_srli:
    jmp 2f
1:  clrc
    rrc r12
    dec r13
2:  tst r13
    jnz 1b
    ret

; r12 shifted right by r13, sign from above
    .section .text.__mspabi_srai, "ax"
    .globl __mspabi_srai
__mspabi_srai:
    jmp 2f
1:  rra r12
    dec r13
2:  tst r13
    jnz 1b
    ret

; r12:r13 shifted right by r14, sign from above
    .section .text.__mspabi_sral, "ax"
    .globl __mspabi_sral
__mspabi_sral:
    jmp 2f
1:  rra r13
    rrc r12
    dec r14
2:  tst r14
    jnz 1b
    ret

    .section .vectors, "a"
    .weak driver_vector
    .space 0x10
    .word driver_vector ; interrupt 8
    .space 0x0C
    .word _start
