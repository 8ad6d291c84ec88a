"""The published sources that envlab leans on, in one list; docstrings and comments refer to them by key.

A key stands in square brackets where it is used: [IEC61672-1]. Each entry says how well the source is known,
because that decides how far to trust a number that comes from it:

- "read": read as its publisher gives it;
- "at second hand": a public transcription or quotation was read, not the (mostly priced) source;
- "cited": named because the idea is known by it; the equations here are derived or tested independently;
- "from memory": not looked up.

What is common practice without a source says so where it stands, and is not listed.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Known = Literal["read", "at second hand", "cited", "from memory"]


@dataclass(frozen=True)
class Source:
    """One published source.

    title: as one would look it up. known: how well, see above. names: how running text may call it.
    """

    title: str
    known: Known
    names: tuple[str, ...]


_SOURCES = {
    # sound
    "IEC61672-1": Source(
        "IEC 61672-1:2013, Electroacoustics – Sound level meters – Part 1: Specifications",
        "at second hand",
        ("IEC 61672-1",),
    ),
    "Kaiser1974": Source(
        "J. F. Kaiser, Nonrecursive digital filter design using the I0-sinh window function, Proc. IEEE Int."
        " Symp. Circuits and Systems, 1974, pp. 20-23",
        "cited",
        ("Kaiser",),
    ),
    "ISO11172-3": Source(
        "ISO/IEC 11172-3:1993, Coding of moving pictures and associated audio at up to about 1,5 Mbit/s –"
        " Part 3: Audio",
        "at second hand",
        ("ISO/IEC 11172-3",),
    ),
    "ISO13818-3": Source(
        "ISO/IEC 13818-3:1998, Generic coding of moving pictures and associated audio – Part 3: Audio",
        "at second hand",
        ("13818-3",),
    ),
    "RFC3003": Source("RFC 3003, The audio/mpeg media type, 2000", "at second hand", ("RFC 3003",)),
    "RFC3533": Source(
        "RFC 3533, The Ogg encapsulation format version 0, 2003", "at second hand", ("RFC 3533",)
    ),
    "RFC9293": Source("RFC 9293, Transmission Control Protocol (TCP), 2022", "from memory", ("RFC 9293",)),
    "RFC9639": Source("RFC 9639, Free Lossless Audio Codec (FLAC), 2024", "from memory", ("RFC 9639",)),
    "Vorbis1": Source("Vorbis I specification, 2020", "from memory", ("Vorbis I",)),
    "EBU3306": Source(
        "EBU Tech 3306, MBWF/RF64: an extended file format for audio data, 2009",
        "at second hand",
        ("EBU Tech 3306",),
    ),
    # analog
    "IEEE1241": Source(
        "IEEE Std 1241-2010, Terminology and test methods for analog-to-digital converters",
        "from memory",
        ("IEEE Std 1241",),
    ),
    "IEC60062": Source(
        "IEC 60062:2016, Marking codes for resistors and capacitors", "at second hand", ("IEC 60062",)
    ),
    "IEC60063": Source(
        "IEC 60063:2015, Preferred number series for resistors and capacitors",
        "at second hand",
        ("IEC 60063",),
    ),
    "IEC60028": Source(
        "IEC 60028:1925, International standard of resistance for copper", "from memory", ("IEC 60028",)
    ),
    "IEC60127-2": Source(
        "IEC 60127-2:2014, Miniature fuses – Part 2: Cartridge fuse-links", "from memory", ("IEC 60127-2",)
    ),
    "SallenKey1955": Source(
        "R. P. Sallen and E. L. Key, A practical method of designing RC active filters, IRE Trans. Circuit"
        " Theory 2, 1955, pp. 74-85",
        "cited",
        ("Sallen and",),
    ),
    "Schade1943": Source(
        "O. H. Schade, Analysis of rectifier operation, Proc. IRE 31, 1943, pp. 341-361", "cited", ("Schade",)
    ),
    "HorowitzHill2015": Source(
        "P. Horowitz, W. Hill, The Art of Electronics, 3rd edition, Cambridge University Press, 2015",
        "from memory",
        ("Horowitz", "The Art of Electronics"),
    ),
    "Banwell2000": Source(
        "T. C. Banwell, Bipolar transistor circuit analysis using the Lambert W-function, IEEE Trans."
        " Circuits and Systems I 47, 2000, pp. 1621-1633",
        "cited",
        ("Banwell",),
    ),
    "Fritsch1973": Source(
        "F. N. Fritsch, R. E. Shafer and W. P. Crowley, Solution of the transcendental equation w·exp(w) = x,"
        " Comm. ACM 16, 1973, pp. 123-124",
        "cited",
        ("Fritsch",),
    ),
    "IEC60268-10": Source(
        "IEC 60268-10:1991, Sound system equipment – Part 10: Peak programme level meters",
        "at second hand",
        ("IEC 60268-10",),
    ),
    "EBU3205": Source(
        "EBU Tech 3205-E, The EBU standard peak-programme meter for the control of international"
        " transmissions, 1979",
        "at second hand",
        ("EBU Tech 3205",),
    ),
    "IEC60268-17": Source(
        "IEC 60268-17:1990, Sound system equipment – Part 17: Standard volume indicators",
        "at second hand",
        ("IEC 60268-17",),
    ),
    # light
    "CIES017": Source(
        "CIE S 017:2020, ILV: International lighting vocabulary, terms 17-31-018"
        " “meteorological optical range” and 17-31-025 “Allard's law”, as published online",
        "read",
        ("CIE S 017",),
    ),
    "CIE11664-4": Source(
        "ISO/CIE 11664-4:2019, Colorimetry – Part 4: CIE 1976 L*a*b* colour space",
        "at second hand",
        ("ISO/CIE 11664-4",),
    ),
    "CIE11664-5": Source(
        "ISO/CIE 11664-5:2016, Colorimetry – Part 5: CIE 1976 L*u*v* colour space and u′, v′ uniform"
        " chromaticity scale diagram",
        "at second hand",
        ("ISO/CIE 11664-5",),
    ),
    "IEC61966-2-1": Source(
        "IEC 61966-2-1:1999, Colour measurement and management – Default RGB colour space – sRGB",
        "at second hand",
        ("IEC 61966-2-1",),
    ),
    "BT709-6": Source(
        "Recommendation ITU-R BT.709-6, Parameter values for the HDTV standards, 2015",
        "at second hand",
        ("BT.709",),
    ),
    "BT1359-1": Source(
        "Recommendation ITU-R BT.1359-1, Relative timing of sound and vision for broadcasting, 1998",
        "read",
        ("BT.1359",),
    ),
    "ClopperPearson1934": Source(
        "C. J. Clopper, E. S. Pearson, The use of confidence or fiducial limits illustrated in the case of"
        " the binomial, Biometrika 26, 1934, pp. 404-413",
        "cited",
        ("Clopper",),
    ),
    "WCAG2.2": Source(
        "W3C, Web content accessibility guidelines (WCAG) 2.2, 2023, “general flash and red flash"
        " thresholds” and success criteria 1.4.11, 2.3.1",
        "read",
        ("WCAG 2.2",),
    ),
    "ISO9241-391": Source(
        "ISO 9241-391:2016, Ergonomics of human-system interaction – Part 391: Requirements, analysis and"
        " compliance test methods for the reduction of photosensitive seizures",
        "cited",
        ("ISO 9241-391",),
    ),
    "IEEE1789": Source(
        "IEEE 1789-2015, Recommended practices for modulating current in high-brightness LEDs for mitigating"
        " health risks to viewers",
        "from memory",
        ("IEEE 1789",),
    ),
    "ISO13732-1": Source(
        "ISO 13732-1:2006, Ergonomics of the thermal environment – Methods for the assessment of human"
        " responses to contact with surfaces – Part 1: Hot surfaces",
        "from memory",
        ("ISO 13732-1",),
    ),
    "GUM2008": Source(
        "JCGM 100:2008, Evaluation of measurement data – Guide to the expression of uncertainty in"
        " measurement",
        "from memory",
        ("JCGM 100",),
    ),
    "CDC2022": Source(
        "Centers for Disease Control and Prevention, What noises cause hearing loss?, web page, 2022 (year"
        " from memory)",
        "at second hand",
        ("What noises cause hearing loss",),
    ),
    "NIDCD2022": Source(
        "National Institute on Deafness and Other Communication Disorders, Noise-induced hearing loss, web"
        " page, 2022 (year from memory)",
        "at second hand",
        ("Noise-induced hearing loss",),
    ),
    "Keefe2005": Source(
        "J. Keefe, Noise exposure associated with marching and pep bands, 150th Meeting of the Acoustical"
        " Society of America, 2005, paper 3pNS",
        "at second hand",
        ("Keefe",),
    ),
    "WHO2021": Source(
        "World Health Organization, World report on hearing, 2021",
        "at second hand",
        ("World report on hearing",),
    ),
    "NIOSH98-126": Source(
        "NIOSH 98-126, Criteria for a recommended standard: occupational noise exposure, 1998",
        "at second hand",
        ("NIOSH 98-126",),
    ),
    "OkabeIto2008": Source(
        "M. Okabe and K. Ito, Color universal design: how to make figures and presentations that are"
        " friendly to colorblind people, 2008",
        "at second hand",
        ("Okabe",),
    ),
    "H273": Source(
        "Recommendation ITU-T H.273, Coding-independent code points for video signal type identification",
        "at second hand",
        ("H.273",),
    ),
    "IEC60617": Source("IEC 60617, Graphical symbols for diagrams", "at second hand", ("IEC 60617",)),
    # firmware
    "ISO9899": Source(
        "ISO/IEC 9899:1999, Programming languages – C (and the editions of 2011 and 2023)",
        "at second hand",
        ("ISO/IEC 9899",),
    ),
    "ISO14882": Source(
        "ISO/IEC 14882:2020, Programming languages – C++", "at second hand", ("ISO/IEC 14882",)
    ),
    "IEEE802.3": Source(
        "IEEE 802.3-2018, Standard for Ethernet, clause 3.2.9 (CRC-32)", "at second hand", ("IEEE 802.3",)
    ),
    "Simpson1990": Source(
        "H. R. Simpson, Four-slot fully asynchronous communication mechanism, IEE Proceedings E, vol. 137,"
        " 1990, pp. 17-30",
        "cited",
        ("Simpson",),
    ),
    # bench
    "ITUV41": Source(
        "ITU-T Recommendation V.41, Code-independent error-control system, 1988 (its polynomial of 16 bit)",
        "from memory",
        ("V.41",),
    ),
    "MacKinnon2023": Source(
        "J. G. MacKinnon, M. Ø. Nielsen and M. D. Webb, Cluster-robust inference: a guide to empirical"
        " practice, Journal of Econometrics, vol. 232, 2023, pp. 272-299",
        "from memory",
        ("MacKinnon",),
    ),
    "Satterthwaite1946": Source(
        "F. E. Satterthwaite, An approximate distribution of estimates of variance components, Biometrics"
        " Bulletin, vol. 2, 1946, pp. 110-114",
        "from memory",
        ("Satterthwaite",),
    ),
    "Golomb1967": Source(
        "S. W. Golomb, Shift register sequences, Holden-Day, 1967", "from memory", ("Golomb",)
    ),
    # files
    "JSONSchema2020-12": Source(
        "JSON Schema: A Media Type for Describing JSON Documents, draft 2020-12, json-schema.org",
        "from memory",
        ("JSON Schema draft 2020-12",),
    ),
}

SOURCES = MappingProxyType(_SOURCES)
"""Every source by its key, in the order of the rooms."""


def source_lines() -> tuple[str, ...]:
    """Return the list as text, one line a source: [key] title (how well it is known)."""
    return tuple(f"[{key}] {source.title} ({source.known})" for key, source in SOURCES.items())
