/** What stands out in what a device told of itself, for the list of the unit desk (DM-01). Pure. */
import type { DeskDevice } from '../desk-questions';
import { isClockOff } from './network-units';

export type DeviceRemark =
  | 'unsent-away'
  | 'clock'
  | 'may-be-cleared'
  | 'other-rules'
  | 'other-build'
  | 'other-protocol';

/**
 * Return what stands out, what is looked at first before the others. What a device does not know
 * stands out in nothing.
 */
export function remarksOfDevice(device: DeskDevice): DeviceRemark[] {
  const { silence, told, clock_offset_ms: offset = null } = device;
  const hasUnsent = (told?.unsent ?? 0) + (told?.unsent_pictures ?? 0) > 0;
  const found: (DeviceRemark | false)[] = [
    silence !== 'none' && hasUnsent && 'unsent-away',
    isClockOff(offset) && 'clock',
    told?.is_kept === false && 'may-be-cleared',
    told?.has_other_rules === true && 'other-rules',
    told?.is_other_build === true && 'other-build',
    told?.is_other_protocol === true && 'other-protocol',
  ];
  return found.filter((one): one is DeviceRemark => one !== false);
}
