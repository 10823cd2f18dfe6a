/// <reference types="svelte" />
/// <reference types="vite/client" />
/// <reference types="vite-plugin-pwa/client" />

/** Hash of the sources, put in by vite.config.ts. */
declare const __BUILD_ID__: string;
