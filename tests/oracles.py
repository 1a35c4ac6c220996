"""What waves measure by closed form, how they sound after a known circuit, and how often chance may err.

Nothing here comes from the firmware: formulas are those of the literature named beside them, worked out anew.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

# -- waves by closed form ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Clipped:
    """A unit sine whose positive half is cut off at `top` and whose negative half at -`bottom`.

    Integrals over a cycle: each half misses a cap of half-width b = acos(level) about its crest, with the area
    2 (sin b - b cos b), the fundamental (b - sin b cos b)/pi and the k-th cosine coefficient
    [sin((k-1)b)/(k(k-1)) - sin((k+1)b)/(k(k+1))]/pi.
    """

    top: float
    bottom: float

    @classmethod
    def by_db(cls, top_db, bottom_db=None):
        return cls(10 ** (-top_db / 20), 10 ** (-(top_db if bottom_db is None else bottom_db) / 20))

    def __call__(self, cycles):
        """Return the level `cycles` after a positive crest."""
        return np.clip(np.cos(2 * np.pi * np.asarray(cycles)), -self.bottom, self.top)

    @property
    def dc(self):
        return sum(sign * (math.sin(b) - b * math.cos(b)) / math.pi for sign, b in self._caps)

    @property
    def mean_square(self):
        # The half of a unit sine has the mean square 1/4 (over the whole cycle); between its flanks it is cut at c.
        total = 0.0
        for c in (self.top, self.bottom):
            a = math.asin(c)
            total += (a / 2 - math.sin(2 * a) / 4 + c**2 * (math.pi / 2 - a)) / math.pi
        return total

    @property
    def rms(self):
        """RMS of the a.c. part."""
        return math.sqrt(self.mean_square - self.dc**2)

    @property
    def fundamental(self):
        """Peak of the fundamental."""
        return 1 - sum(b - math.sin(b) * math.cos(b) for _, b in self._caps) / math.pi

    @property
    def thd(self):
        """THD_F with all harmonics: what power is left beside the fundamental, over it."""
        return math.sqrt(2 * self.rms**2 / self.fundamental**2 - 1)

    @property
    def crest(self):
        return max(self.top - self.dc, self.bottom + self.dc) / self.rms

    def harmonic(self, k):
        """Return the signed k-th cosine coefficient, k >= 2, with the positive crest at angle 0."""
        k = np.asarray(k, dtype=float)
        total = np.zeros(k.shape)
        for sign, b in self._caps:
            d = (np.sin((k - 1) * b) / (k * (k - 1)) - np.sin((k + 1) * b) / (k * (k + 1))) / math.pi
            total += -d if sign < 0 else np.where(k % 2 == 0, d, -d)
        return total

    def thd_to(self, highest):
        """THD_F with the harmonics 2 to `highest`."""
        return float(np.linalg.norm(self.harmonic(np.arange(2, highest + 1)))) / self.fundamental

    @property
    def flat_share(self):
        """Share of the worse half-cycle that is flat."""
        return 2 * max(b for _, b in self._caps) / math.pi

    @property
    def over_db(self):
        """Overdrive of the positive and of the negative half."""
        return -20 * math.log10(self.top), -20 * math.log10(self.bottom)

    @property
    def _caps(self):
        return (-1, math.acos(self.top)), (+1, math.acos(self.bottom))


def square(cycles):
    return np.where(np.mod(np.asarray(cycles) + 0.25, 1.0) < 0.5, 1.0, -1.0)


def triangle(cycles):
    return 4 * np.abs(np.mod(np.asarray(cycles), 1.0) - 0.5) - 1


def saw(cycles):
    return 2 * np.mod(np.asarray(cycles), 1.0) - 1


def half_wave(cycles):
    return np.maximum(np.cos(2 * np.pi * np.asarray(cycles)), 0.0)


SERIES = {
    # Amplitudes of the k-th harmonic over the fundamental's, k >= 2: Fourier series of any handbook.
    "square": lambda k: np.where(k % 2 == 1, 1.0 / k, 0.0),
    "triangle": lambda k: np.where(k % 2 == 1, 1.0 / k**2, 0.0),
    "saw": lambda k: 1.0 / k,
    "half wave": lambda k: np.where(k % 2 == 0, 4 / (math.pi * (k**2 - 1.0)), 0.0),
}


def series_thd(name, highest):
    """Return THD_F of a wave with the harmonics 2 to `highest`."""
    k = np.arange(2, highest + 1)
    return float(np.linalg.norm(SERIES[name](k)))


KNEES = {
    # Curves that bend the tops without a flat part; all of them rise as x does for small x.
    "tanh": np.tanh,
    "atan": lambda x: np.arctan(np.pi / 2 * x) * 2 / np.pi,
    "cubic": lambda x: np.where(np.abs(x) < 1.5, x - 4 * x**3 / 27, np.sign(x)),
    "algebraic": lambda x: x / np.sqrt(1 + x**2),
    "exponential": lambda x: np.sign(x) * (1 - np.exp(-np.abs(x))),
    "sine": lambda x: np.sin(np.clip(x, -np.pi / 2, np.pi / 2)),
}


def spectrum(wave, n=1 << 14):
    """Return C_0..C_(n/2) of one cycle of a wave, the peak of each harmonic, by FFT."""
    c = np.fft.rfft(wave(np.arange(n) / n)) * 2 / n
    c[0] /= 2
    return c


def thd_of(wave, highest=1000):
    """Return THD_F of one cycle of a wave, by FFT."""
    c = np.abs(spectrum(wave))
    return float(np.linalg.norm(c[2 : highest + 1]) / c[1])


def knee(name, thd):
    """Return a wave bent by the knee `name` so far that its THD_F is `thd`."""
    low, high = 1e-3, 1e3
    for _ in range(60):
        drive = math.sqrt(low * high)
        low, high = (drive, high) if thd_of(_driven(name, drive)) < thd else (low, drive)
    return _driven(name, drive)


def _driven(name, drive):
    return lambda cycles: KNEES[name](drive * np.cos(2 * np.pi * np.asarray(cycles))) / drive


# -- the circuit in front of the bass converter ------------------------------------------------------------------------


def front_end(hz, *, period_s):
    """Return the complex gain from the terminals to the converter's codes, by chain matrices.

    Differential half-circuit of the netlist: 560 pF and its source (pole at 29.8 kHz), then 1.00k, 68 nF across (twice
    that in each half) with 1 nF to ground, 3.32k, 22 nF across with 1 nF; and the mean over one conversion.
    """
    s = 2j * np.pi * np.asarray(hz, dtype=float)
    one, nil = np.ones_like(s), np.zeros_like(s)
    chain = np.array([[one, nil], [nil, one]])
    for ohm, farad in ((1.00e3, 2 * 68e-9 + 1e-9), (3.32e3, 2 * 22e-9 + 1e-9)):
        section = np.array([[1 + s * ohm * farad, ohm * one], [s * farad, one]])
        chain = np.einsum("ij...,jk...->ik...", chain, section)
    return np.sinc(np.asarray(hz) * period_s) / chain[0, 0] / (1 + np.asarray(hz) * 1j / 29.8e3)


# -- estimation --------------------------------------------------------------------------------------------------------


def cramer_rao(*, amplitude, sigma, n, rate_hz):
    """Return the least standard deviations of amplitude, frequency [Hz] and mean of a real sine in white noise.

    Rife & Boorstyn 1974, Kay 1993 (formulas from memory, confirmed by Monte Carlo).
    """
    eta = amplitude**2 / (2 * sigma**2)
    return (
        math.sqrt(2 * sigma**2 / n),
        math.sqrt(12 * rate_hz**2 / ((2 * math.pi) ** 2 * eta * n * (n**2 - 1))),
        sigma / math.sqrt(n),
    )


def scatter_bounds(runs, sigmas=4.0):
    """Return between which factors of the truth a standard deviation from `runs` normal draws lies.

    Its own relative scatter is 1/sqrt(2 (runs - 1)); at four sigma chance leaves them 6 times in 10^5.
    """
    spread = sigmas / math.sqrt(2 * (runs - 1))
    return 1 - spread, 1 + spread


def share_bounds(share, runs, sigmas=4.0):
    """Return between which shares the count of successes of `runs` trials lies."""
    spread = sigmas * math.sqrt(share * (1 - share) / runs)
    return share - spread, share + spread


# -- NIST StRD, univariate: Lew ----------------------------------------------------------------------------------------

LEW = np.array(
    [
        "-213",
        "-564",
        "-35",
        "-15",
        "141",
        "115",
        "-420",
        "-360",
        "203",
        "-338",
        "-431",
        "194",
        "-220",
        "-513",
        "154",
        "-125",
        "-559",
        "92",
        "-21",
        "-579",
        "-52",
        "99",
        "-543",
        "-175",
        "162",
        "-457",
        "-346",
        "204",
        "-300",
        "-474",
        "164",
        "-107",
        "-572",
        "-8",
        "83",
        "-541",
        "-224",
        "180",
        "-420",
        "-374",
        "201",
        "-236",
        "-531",
        "83",
        "27",
        "-564",
        "-112",
        "131",
        "-507",
        "-254",
        "199",
        "-311",
        "-495",
        "143",
        "-46",
        "-579",
        "-90",
        "136",
        "-472",
        "-338",
        "202",
        "-287",
        "-477",
        "169",
        "-124",
        "-568",
        "17",
        "48",
        "-568",
        "-135",
        "162",
        "-430",
        "-422",
        "172",
        "-74",
        "-577",
        "-13",
        "92",
        "-534",
        "-243",
        "194",
        "-355",
        "-465",
        "156",
        "-81",
        "-578",
        "-64",
        "139",
        "-449",
        "-384",
        "193",
        "-198",
        "-538",
        "110",
        "-44",
        "-577",
        "-6",
        "66",
        "-552",
        "-164",
        "161",
        "-460",
        "-344",
        "205",
        "-281",
        "-504",
        "134",
        "-28",
        "-576",
        "-118",
        "156",
        "-437",
        "-381",
        "200",
        "-220",
        "-540",
        "83",
        "11",
        "-568",
        "-160",
        "172",
        "-414",
        "-408",
        "188",
        "-125",
        "-572",
        "-32",
        "139",
        "-492",
        "-321",
        "205",
        "-262",
        "-504",
        "142",
        "-83",
        "-574",
        "0",
        "48",
        "-571",
        "-106",
        "137",
        "-501",
        "-266",
        "190",
        "-391",
        "-406",
        "194",
        "-186",
        "-553",
        "83",
        "-13",
        "-577",
        "-49",
        "103",
        "-515",
        "-280",
        "201",
        "300",
        "-506",
        "131",
        "-45",
        "-578",
        "-80",
        "138",
        "-462",
        "-361",
        "201",
        "-211",
        "-554",
        "32",
        "74",
        "-533",
        "-235",
        "187",
        "-372",
        "-442",
        "182",
        "-147",
        "-566",
        "25",
        "68",
        "-535",
        "-244",
        "194",
        "-351",
        "-463",
        "174",
        "-125",
        "-570",
        "15",
        "72",
        "-550",
        "-190",
        "172",
        "-424",
        "-385",
        "198",
        "-218",
        "-536",
        "96",
    ],
    dtype=float,
)
"""Deflections of a steel-concrete beam (H. S. Lew, 1969), as in the public NIST data set."""
LEW_MEAN, LEW_SD = -177.435, 277.332168044316  # certified by NIST StRD
LEW_AC_RMS = 276.637968788  # the same SD for n instead of n - 1
LEW_SINE = {"amplitude": 343.2886, "hz": 0.301807, "mean": -178.7682, "residual_sd": 134.0664}  # scipy.optimize


# -- other circuits and files ------------------------------------------------------------------------------------------


def fft_thd(volts, rate_hz, hz, highest):
    """Return THD_F of whole cycles by one FFT: nothing is fitted, so `hz` must lie on a bin."""
    cycles = round(hz * len(volts) / rate_hz)
    if abs(cycles * rate_hz / hz - len(volts)) > 1e-6 * len(volts):
        raise ValueError(f"{len(volts)} samples are {hz * len(volts) / rate_hz} cycles; a whole number is needed")
    magnitude = np.abs(np.fft.rfft(volts))
    return float(np.linalg.norm(magnitude[2 * cycles : highest * cycles + 1 : cycles]) / magnitude[cycles])
