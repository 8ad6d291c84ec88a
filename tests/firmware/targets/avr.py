"""8-bit AVR with and without multiplier: avr-gcc (or ziglang's clang), run by libsimavr."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from .driver import C_FOLDER, Driver, Image
from .elf import read_elf32
from .tools import RUN_SECONDS, call, cannot_build, missing_commands, missing_packages, zig

RAM_OFFSET = 0x80_0000  # avr-gcc's linker places data at this offset from its address on the bus
USES_LIBSIMAVR = "#include <simavr/sim_avr.h>\nint main(void) { return 0; }\n"
USES_AVR_LIBC = "#include <avr/pgmspace.h>\nint main(void) { return 0; }\n"
PLAIN_MEMORY = (
    "-DENVLAB_PLAIN_C",
    "-DENVLAB_ROM=",
    "-DENVLAB_ROM_U8(p)=(*(p))",
    "-DENVLAB_ROM_U16(p)=(*(p))",
)


@dataclass(frozen=True)
class CallCost:
    """What the simulator counted over all calls of one function, call and return included."""

    calls: int
    least_cycles: int
    most_cycles: int
    mean_cycles: float
    stack_bytes: int


@dataclass(frozen=True)
class AvrMachine:
    """One processor of the family; the program uses neither the I/O byte `port` nor `vector` otherwise.

    clang knows no data in program memory here and takes no 32-bit values into its inline assembly, so its
    builds are told to do without both.
    """

    name: str
    mcu: str
    port: int
    vector: int
    options: tuple[str, ...] = ("-Os",)
    clang: bool = False

    def missing(self) -> str:
        """Return what this machine lacks here, in words, or an empty string."""
        return (
            missing_commands("gcc", "avr-gcc")
            or (missing_packages("ziglang") if self.clang else "")
            or cannot_build("gcc", "-lsimavr", text=USES_LIBSIMAVR)
            or cannot_build("avr-gcc", f"-mmcu={self.mcu}", text=USES_AVR_LIBC)
        )

    def build(self, driver: Driver, folder: Path) -> Image:
        """Compile and link the driver in `folder`."""
        objects = []
        for source in [*driver.sources, C_FOLDER / "main_avr.c"]:
            objects.append(folder / f"{self.name}-{source.stem}.o")
            flags = [*self.options, *driver.flags(), *self._defines(), "-c", source]
            if self.clang:
                target = ("-target", "avr-freestanding-none", f"-mcpu={self.mcu}")
                flags += ["-isystem", _c_library_headers(), *PLAIN_MEMORY, "-o", objects[-1]]
                zig("cc", *target, *flags, folder=folder)
            else:
                call(["avr-gcc", f"-mmcu={self.mcu}", *flags, "-o", objects[-1]], folder=folder)
        out = folder / f"{self.name}.elf"
        call(["avr-gcc", f"-mmcu={self.mcu}", "-Wl,--gc-sections", *objects, "-o", out], folder=folder)
        call(
            ["avr-objcopy", "-O", "binary", "-j", ".text", "-j", ".data", out, out.with_suffix(".bin")],
            folder=folder,
        )
        return Image(driver, out, read_elf32(out).symbols)

    def run(self, image: Image, stimuli: bytes) -> bytes:
        """Run as many steps as there are stimuli and return their records."""
        return self._simulate(image, stimuli)[0]

    def run_interrupted(self, image: Image, stimuli: bytes, *, reader: str) -> bytes:
        """Run, raising the free interrupt inside each call of `reader`.

        The first two bytes of a stimulus say after how many of the reader's instructions.
        """
        return self._simulate(image, stimuli, f"interrupt={self.vector},{image.symbols[reader]}")[0]

    def measure(self, image: Image, stimuli: bytes, functions: tuple[str, ...]) -> dict[str, CallCost]:
        """Run and return the cost of each named function, which must not be inlined."""
        words = [f"profile={name},{image.symbols[name]}" for name in functions]
        costs = {}
        for line in self._simulate(image, stimuli, *words)[1].decode().splitlines():
            name, calls, least, most, mean, stack = line.split()
            costs[name] = CallCost(int(calls), int(least), int(most), float(mean), int(stack))
        return costs

    def cycles_of_each(self, image: Image, stimuli: bytes, function: str, *, counter: str) -> bytes:
        """Run and return the records, the cycles of each call of a function put where `counter` stands.

        function must not be inlined; counter is a variable of four bytes, filled when a call has returned.
        """
        words = [f"profile={function},{image.symbols[function]}"]
        words.append(f"cycles={image.symbols[counter] - RAM_OFFSET}")
        return self._simulate(image, stimuli, *words)[0]

    def _defines(self) -> list[str]:
        return [f"-DDRIVER_PORT={self.port}", f"-DDRIVER_VECTOR={self.vector}"]

    def _simulate(self, image: Image, stimuli: bytes, *words: str) -> tuple[bytes, bytes]:
        driver, symbols = image.driver, image.symbols
        command = [
            _runner(image.path.parent),
            f"mcu={self.mcu}",
            f"code={image.path.with_suffix('.bin')}",
            f"port={self.port}",
            f"input={symbols['driver_input'] - RAM_OFFSET},{driver.input_bytes}",
            f"record={symbols['driver_record'] - RAM_OFFSET},{driver.record_bytes}",
            *words,
        ]
        done = call(command, folder=image.path.parent, data=stimuli, seconds=RUN_SECONDS)
        return done.stdout, done.stderr


def _runner(folder: Path) -> Path:
    runner = folder / "avr_runner"
    if not runner.exists():
        call(["gcc", "-O2", C_FOLDER / "avr_runner.c", "-o", runner, "-lsimavr"], folder=folder)
    return runner


def _c_library_headers() -> Path:
    compiler = shutil.which("avr-gcc")
    if compiler is None:
        raise RuntimeError("avr-gcc is not installed")
    return Path(compiler).parent.parent / "lib" / "avr" / "include"
