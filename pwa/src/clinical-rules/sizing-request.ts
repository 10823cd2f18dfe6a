/** The request of `sizing`: its keys, types and bounds. Twin of `sizing_request.py`. */
import { ShapeError } from './errors';
import { atMost, listOf, naturalNumber, oneOf, shape, text } from './shapes';

/** The size of a thing. */
const ABOVE_ZERO = 'Correct it, or leave it out.';
// Ten metres and ten litres: beyond them a slip of the unit, and every product stays exact.
const lengthUm = atMost(10_000_000);
const amountUl = lengthUm;
const sizeUm = atMost(10_000_000, ABOVE_ZERO);
const primeUl = sizeUm;
const parts = atMost(1000);

const readTarget = shape(
  { label: text, short_axis_um: lengthUm },
  {
    long_axis_um: lengthUm,
    third_axis_um: lengthUm,
    measured_distance_um: lengthUm,
    near_wall_um: lengthUm,
    far_wall_um: lengthUm,
    origin: oneOf('measured', 'estimated', 'earlier-record', 'measured-on-image'),
  },
);
const readNeedle = shape(
  { gauge: naturalNumber },
  {
    inner_diameter_um: sizeUm,
    length_um: sizeUm,
    prime_ul: primeUl,
    stop_step_um: lengthUm,
  },
);
const readCoil = shape({
  id: text,
  loop_um: sizeUm,
  wire_um: sizeUm,
  length_um: sizeUm,
  count: naturalNumber,
});
const readAdhesive = shape(
  {
    agent: oneOf('2-octyl-cyanoacrylate', 'n-butyl-2-cyanoacrylate'),
    parts_adhesive: parts,
    parts_oil: parts,
  },
  { planned_ul: amountUl },
);
export const readRequest = shape(
  { targets: listOf(readTarget) },
  {
    needle: readNeedle,
    coils_in_stock: listOf(readCoil),
    adhesive: readAdhesive,
    given_so_far_ul: amountUl,
    shunt: oneOf('none', 'present', 'unknown'),
    right_to_left_shunt: oneOf('no', 'yes', 'unknown'),
  },
);

export type Target = ReturnType<typeof readTarget>;
export type Needle = ReturnType<typeof readNeedle>;
export type Coil = ReturnType<typeof readCoil>;
export type Adhesive = ReturnType<typeof readAdhesive>;
export type SizingRequest = ReturnType<typeof readRequest>;

/**
 * Refuse a name that stands twice in a list.
 *
 * @throws ShapeError that names the later entry
 */
export function refuseDoubles(names: readonly string[], key: string, part: string): void {
  for (const [place, name] of names.entries()) {
    if (names.indexOf(name) < place) {
      throw new ShapeError(`${key}[${place}].${part} stands twice: ${name}. Give each its own.`);
    }
  }
}
