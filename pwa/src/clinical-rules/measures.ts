/**
 * Exact decimal numbers and rounding: no binary fraction enters a rule. Twin of `measures.py`.
 *
 * An `Exact` is a whole number of 10^-60. Python's twin uses its `decimal` library; here the
 * logarithm is a series of our own, so that each engine checks the other.
 */

/** A number in units of 10^-60. */
export type Exact = bigint & { readonly exact: never };

const PLACES = 60;
const ONE = (10n ** BigInt(PLACES)) as Exact;

export const ZERO = 0n as Exact;

/**
 * Return the number exactly as its digits say: those of a JSON number, or of decimal text.
 *
 * @throws RangeError when the text is no decimal number
 */
export function exact(digits: number | string): Exact {
  const parts = /^(-?)(\d+)(?:\.(\d+))?(?:e([+-]?\d+))?$/.exec(String(digits));
  if (parts === null) throw new RangeError(`${digits} is no decimal number. Correct it.`);
  const [, sign, whole = '', fraction = '', exponent = '0'] = parts;
  const shift = PLACES - fraction.length + Number(exponent);
  const units = BigInt(whole + fraction);
  const scaled = shift >= 0 ? units * 10n ** BigInt(shift) : units / 10n ** BigInt(-shift);
  return (sign ? -scaled : scaled) as Exact;
}

export function plus(...terms: readonly Exact[]): Exact {
  return terms.reduce<bigint>((sum, term) => sum + term, 0n) as Exact;
}

export function minus(one: Exact, other: Exact): Exact {
  return (one - other) as Exact;
}

export function times(...factors: readonly Exact[]): Exact {
  return factors.reduce<bigint>((product, factor) => (product * factor) / ONE, ONE) as Exact;
}

export function over(one: Exact, other: Exact): Exact {
  return ((one * ONE) / other) as Exact;
}

/** Return the number, or the bound that it passes. */
export function clamp(amount: Exact, least: Exact, most: Exact): Exact {
  if (amount < least) return least;
  return amount > most ? most : amount;
}

/** Return the amount, or the bound when the amount lies below it. */
export function atLeast(amount: Exact, least: Exact): Exact {
  return clamp(amount, least, amount);
}

/** Return the amount, or the bound when the amount lies above it. */
export function atMost(amount: Exact, most: Exact): Exact {
  return clamp(amount, amount, most);
}

/** Return the natural logarithm of a number above zero, to about 55 decimals; that of 1 is 0. */
export function naturalLog(amount: Exact): Exact {
  let rest: bigint = amount;
  let doublings = 0n;
  while (rest > (ONE * 3n) / 2n) {
    rest /= 2n;
    doublings += 1n;
  }
  while (rest < (ONE * 3n) / 4n) {
    rest *= 2n;
    doublings -= 1n;
  }
  return (doublings * LN_2 + logNearOne(rest)) as Exact;
}

/** Return the logarithm to base 10; that of a power of ten is exact. */
export function log10(amount: Exact): Exact {
  let rest: bigint = amount;
  let tens = 0n;
  while (rest >= ONE * 10n) {
    rest /= 10n;
    tens += 1n;
  }
  while (rest < ONE) {
    rest *= 10n;
    tens -= 1n;
  }
  return (tens * ONE + over(naturalLog(rest as Exact), LN_10)) as Exact;
}

/** ln x = 2 (z + z^3/3 + z^5/5 + ...) with z = (x - 1) / (x + 1). */
function logNearOne(near: bigint): bigint {
  const z = ((near - ONE) * ONE) / (near + ONE);
  const square = (z * z) / ONE;
  let power = z;
  let sum = 0n;
  for (let odd = 1n; power !== 0n; odd += 2n) {
    sum += power / odd;
    power = (power * square) / ONE;
  }
  return 2n * sum;
}

// ln 2 = 2 ln(4/3) + ln(9/8), which is the series near one.
const LN_2 = 2n * logNearOne((ONE * 4n) / 3n) + logNearOne((ONE * 9n) / 8n);
const LN_10 = naturalLog(exact(10));

/**
 * Return the number with `places` decimals as a JSON number; a half goes away from zero (LS2).
 */
export function roundHalfUp(amount: Exact, places: number): number {
  const sign = amount < 0n ? '-' : '';
  const size = amount < 0n ? -amount : amount;
  const unit = 10n ** BigInt(PLACES - places);
  const units = ((size + unit / 2n) / unit).toString().padStart(places + 1, '0');
  const whole = units.slice(0, units.length - places);
  const rounded = Number(`${sign}${whole}.${units.slice(units.length - places)}0`);
  return rounded === 0 ? 0 : rounded;
}

/** Return the number in plain digits for a sentence, without exponent or needless zeros. */
export function writeDigits(amount: Exact): string {
  const size = amount < 0n ? -amount : amount;
  const fraction = (size % ONE).toString().padStart(PLACES, '0').replace(/0+$/, '');
  return `${amount < 0n ? '-' : ''}${size / ONE}${fraction ? '.' : ''}${fraction}`;
}
