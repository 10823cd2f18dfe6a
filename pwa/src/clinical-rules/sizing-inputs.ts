/**
 * Which keys of the request each part of a sizing answer rests on (SZ18). Twin of
 * `sizing_inputs.py`.
 */
import type { DeadSpace, SizedTarget } from './sizing-answer';
import type { Adhesive, SizingRequest, Target } from './sizing-request';

export interface SizingInputs {
  /** One list for each target, in their order. */
  targets: string[][];
  needle: string[];
  adhesive: string[];
}

/**
 * Return the inputs of each target, of the needle and of the adhesive, in a fixed order.
 *
 * Keys of a target stand by their own name, others by their path such as `needle.prime_ul`. What
 * could not be calculated rests on nothing.
 *
 * @param sized - the targets of the answer, in the order of the request
 */
export function nameInputs(
  read: SizingRequest,
  sized: readonly SizedTarget[],
  deadSpace: DeadSpace,
): SizingInputs {
  const ofNeedle = needleInputs(deadSpace);
  return {
    targets: read.targets.map((target, place) => targetInputs(target, sized[place], read)),
    needle: ofNeedle,
    adhesive: read.adhesive === undefined ? [] : adhesiveInputs(read.adhesive, read, ofNeedle),
  };
}

function targetInputs(
  target: Target,
  sized: SizedTarget | undefined,
  read: SizingRequest,
): string[] {
  const { coils = { missing: [] }, needle_stop_um: stop = { missing: [] } } = sized ?? {};
  const hasPicks = 'picks' in coils && (read.coils_in_stock ?? []).length > 0;
  const hasVolume = target.long_axis_um !== undefined;
  const hasStop = typeof stop === 'number' || 'refusal' in stop;
  const hasLumen = read.needle?.inner_diameter_um !== undefined;
  return namesOf({
    short_axis_um: true,
    long_axis_um: hasVolume,
    third_axis_um: hasVolume && target.third_axis_um !== undefined,
    measured_distance_um: hasStop,
    near_wall_um: hasStop && target.near_wall_um !== undefined,
    far_wall_um: hasStop && target.far_wall_um !== undefined,
    origin: target.origin !== undefined,
    'needle.gauge': hasPicks && read.needle !== undefined && !hasLumen,
    'needle.inner_diameter_um': hasPicks && hasLumen,
    'needle.stop_step_um': hasStop,
    coils_in_stock: hasPicks,
  });
}

function needleInputs({ dead_space_from: from }: DeadSpace): string[] {
  if (from === 'measured-prime') return ['needle.prime_ul'];
  return from === 'computed' ? ['needle.inner_diameter_um', 'needle.length_um'] : [];
}

function adhesiveInputs(
  adhesive: Adhesive,
  read: SizingRequest,
  ofNeedle: readonly string[],
): string[] {
  return [
    'adhesive.agent',
    'adhesive.parts_adhesive',
    'adhesive.parts_oil',
    ...namesOf({ 'adhesive.planned_ul': adhesive.planned_ul !== undefined }),
    ...ofNeedle,
    ...namesOf({
      given_so_far_ul: read.given_so_far_ul !== undefined,
      shunt: read.shunt !== undefined,
      right_to_left_shunt: read.right_to_left_shunt !== undefined,
    }),
  ];
}

function namesOf(used: Readonly<Record<string, boolean>>): string[] {
  return Object.keys(used).filter((key) => used[key] === true);
}
