/** The browser, behind the port that the facts of this tablet are read through. */
import type { DevicePort } from '../state/device-facts.svelte';
import { watchBattery } from './battery';
import { openDeviceKey } from './device-key';
import { installing } from './install';
import { askForPersistence } from './persistence';
import { readFreeBytes } from './storage-room';

export const browserDevice: DevicePort = {
  watchBattery: (listener) => void watchBattery(listener),
  askForPersistence,
  readFreeBytes,
  hasKey: async () => (await openDeviceKey()) !== null,
  installing: installing.standing,
  askToInstall: installing.ask,
  onInstalling: installing.onChange,
};
