/** The camera and the hand scanner of the browser, as the label entry asks for them. */
import type { LabelScanner, PictureDevice } from '../ports';
import { scriptAddress } from '../script-address';
import { keepReader } from './label-reader-files';
import type { FromReader, ToReader } from './label-reader-worker';
import { watchWedge } from './wedge-reader';

/** Enough for a code of 5 mm at a hand's breadth (project default, no source). */
const WISHED_WIDTH_PX = 1280;
/** Pause between two looks, so that the tablet stays cool. */
const PAUSE_MS = 100;
/** The first start has other things to fetch. */
const KEEP_AFTER_MS = 5_000;

/** A light that the camera has; the names are those of the W3C image capture module. */
type WithTorch = { torch?: boolean };

const pause = (waitMs: number) => new Promise((resolve) => setTimeout(resolve, waitMs));

/** Return the scanner of this device, and listen for a hand scanner from now on. */
export function browserLabels(pictures: PictureDevice): LabelScanner {
  let worker: Worker | null = null;

  function readCodes(bitmap: ToReader): Promise<FromReader> {
    worker ??= new Worker(scriptAddress('labelReader'), { type: 'module' });
    const asked = worker;
    return new Promise((resolve) => {
      asked.onmessage = ({ data }: MessageEvent<FromReader>) => resolve(data);
      asked.onerror = () => resolve(null);
      asked.postMessage(bitmap, [bitmap]);
    });
  }

  return {
    async openCamera() {
      const camera = await pictures.openCamera(WISHED_WIDTH_PX);
      if (camera === null) return null;
      const [track] = camera.stream.getVideoTracks();
      const can = (track?.getCapabilities?.() ?? {}) as WithTorch;
      let isOpen = true;
      return {
        stream: camera.stream,
        light: can.torch
          ? async (isOn) => {
              const torch = { advanced: [{ torch: isOn } as MediaTrackConstraintSet] };
              await track?.applyConstraints(torch).catch(() => {});
            }
          : null,
        async watch(video, found) {
          while (isOpen) {
            const bitmap =
              video.readyState >= HTMLMediaElement.HAVE_CURRENT_DATA
                ? await createImageBitmap(video).catch(() => null)
                : null;
            const codes = bitmap === null ? [] : await readCodes(bitmap);
            if (isOpen) found(codes);
            await pause(PAUSE_MS);
          }
        },
        close() {
          isOpen = false;
          camera.close();
        },
      };
    },
    listen: watchWedge(),
    keepReader() {
      setTimeout(() => void keepReader(), KEEP_AFTER_MS);
    },
  };
}
