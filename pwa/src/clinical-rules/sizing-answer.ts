/** The answer of `sizing`; keys as in `calculate`. */
import type { SizingInputs } from './sizing-inputs';

/** A part that lacks inputs names them. */
export interface Missing {
  missing: string[];
}
/** A part outside the domain says why there is no number. */
export interface Refusal {
  refusal: { kind: string; text: string };
}
export interface Basis {
  basis: string | null;
  source: string | null;
}

/** Of each coil in stock whether its wire passes; null while no needle is chosen. */
export type Passes = Record<string, boolean | null>;

export interface SizedCoils extends Basis {
  from: number;
  to: number;
  loop_band_um: [number, number];
  picks: string[];
  reason: 'in-band' | 'largest-stocked' | 'none-fits';
}

export interface SizedTarget {
  label: string;
  axis_used: 'short';
  axis_um: number;
  origin: string | null;
  coils: SizedCoils | Missing | Refusal;
  volume_ul: number | Missing | Refusal;
  third_axis_from?: 'given' | 'short-axis';
  packing_per_mille_from_to: [number, number] | Missing | Refusal;
  needle_stop_um: number | Missing | Refusal;
}

export interface DeadSpace {
  dead_space_ul: number | Missing | Refusal;
  dead_space_from: 'measured-prime' | 'computed' | null;
}

export interface AdhesivePlan extends Basis {
  flush_media: string[];
  pure_ul: number | Missing | Refusal;
  mix_ul: number | Missing | Refusal;
  aliquot_ul: number | Refusal;
  aliquot_ms: number | Refusal;
  flush_ul: number | Missing | Refusal;
  leaves_tip_before_flush_ul: number | Missing | Refusal;
}

export interface Caution extends Basis {
  id: string;
  level: 'stop' | 'caution' | 'note';
  text: string;
}

export interface SizingAnswer {
  targets: SizedTarget[];
  needle: DeadSpace & { passes: Passes };
  adhesive: AdhesivePlan | null;
  cautions: Caution[];
  /** Of every number that no row of the answer carries. */
  basis: Record<string, Basis>;
  /** Keys of the request that each part rests on. */
  inputs: SizingInputs;
  rule_files: { name: string; version: number; sha256: string }[];
}
