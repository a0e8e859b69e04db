"""The GLSL program of still scenery: kinds of surface, their patterns and what is painted on them.

Light that shadows of players can take (key) goes into one picture, the rest (around) into
another, and the distance along the camera's axis into a third.
"""

from paddlebrief.rehearsal.shaders import HEAD, LIGHT

__all__ = ["CARD_FRAGMENT"]

# Kinds of surface: 0 plain, 1 painted ground, 2 net, 3 chain link, 4 leaves, 5 sky, 6 panels,
# 7 grass, 8 lamp, 9 planks (the names stand in ``scenery``).
CARD_FRAGMENT = (
    HEAD
    + LIGHT
    + """
in vec3 world;
in vec3 outward;
in vec3 tint;
in float gloss;
uniform vec4 lines[64];
uniform vec3 line_colours[64];
uniform int line_count;
uniform int kind;
layout(location = 0) out vec4 key_shown;
layout(location = 1) out vec4 around_shown;
layout(location = 2) out float depth_m;
float hash(vec3 p) {
    p = fract(p * 0.3183099 + vec3(0.71, 0.113, 0.419));
    p *= 17.0;
    return fract(p.x * p.y * p.z * (p.x + p.y + p.z));
}
float noise(vec3 p) {
    vec3 i = floor(p), f = fract(p);
    f = f * f * (3.0 - 2.0 * f);
    float low = mix(mix(hash(i), hash(i + vec3(1, 0, 0)), f.x),
                    mix(hash(i + vec3(0, 1, 0)), hash(i + vec3(1, 1, 0)), f.x), f.y);
    float high = mix(mix(hash(i + vec3(0, 0, 1)), hash(i + vec3(1, 0, 1)), f.x),
                     mix(hash(i + vec3(0, 1, 1)), hash(i + vec3(1, 1, 1)), f.x), f.y);
    return mix(low, high, f.z);
}
float box(vec2 p, vec4 rect, float blur) {
    vec2 inside = min(p - rect.xy, rect.zw - p) / blur + 0.5;
    return clamp(inside.x, 0.0, 1.0) * clamp(inside.y, 0.0, 1.0);
}
float lattice(vec2 p, float pitch, float thick) {
    vec2 w = max(fwidth(p), 1e-5);
    vec2 d = abs(fract(p / pitch + 0.5) - 0.5) * pitch;
    vec2 line = clamp((thick * 0.5 - d) / w + 0.5, 0.0, 1.0);
    float near = max(line.x, line.y);
    float mean = 1.0 - (1.0 - thick / pitch) * (1.0 - thick / pitch);
    return mix(near, mean, smoothstep(0.25, 0.6, max(w.x, w.y) / pitch));
}
void main() {
    vec3 n = normalize(outward) * (gl_FrontFacing ? 1.0 : -1.0);
    vec3 base = tint;
    float cover = 1.0;
    if (kind == 1) {
        float blur = max(fwidth(world.x), fwidth(world.y));
        float grain = (noise(world * 43.0) - 0.5) * exp(-8.0 * blur);
        base *= 0.94 + 0.08 * noise(world * 1.3) + 0.07 * grain;
        base *= 0.97 + 0.05 * noise(world * vec3(0.35, 0.2, 1.0));
        for (int k = 0; k < line_count; ++k)
            base = mix(base, line_colours[k], 0.93 * box(world.xy, lines[k], max(blur, 0.003)));
    } else if (kind == 2) {
        cover = lattice(vec2(world.x, world.z), 0.045, 0.0045);
    } else if (kind == 3) {
        vec2 along = abs(n.y) > 0.5 ? world.xz : world.yz;
        cover = lattice(vec2(along.x + along.y, along.x - along.y) * 0.7071, 0.055, 0.004);
    } else if (kind == 4) {
        float puff = noise(world * 0.9) * 0.6 + noise(world * 3.1) * 0.3 + noise(world * 9.0) * 0.2;
        base *= 0.45 + 0.95 * puff;
        vec3 q = world * 5.0;
        n = normalize(n + 0.8 * (vec3(noise(q), noise(q + 7.0), noise(q + 13.0)) - 0.5));
    } else if (kind == 5) {
        vec3 way = normalize(world - eye);
        float h = clamp(way.z, 0.0, 1.0);
        float puff = noise(way * vec3(4.5, 4.5, 13.5)) * 0.65;
        puff += noise(way * vec3(13.0, 13.0, 40.0)) * 0.35;
        float cloud = smoothstep(0.45, 0.8, puff);
        vec3 blue = mix(tint * 1.25, tint * 0.75, sqrt(h));
        key_shown = vec4(0.0);
        around_shown = vec4(mix(blue, vec3(0.95), gloss * cloud), 1.0);
        depth_m = 1.0 / gl_FragCoord.w;
        return;
    } else if (kind == 6) {
        base *= 0.9 + 0.2 * step(0.5, fract((abs(n.y) > 0.5 ? world.x : world.y) / 0.30));
        base *= 0.92 + 0.12 * noise(world * 0.6);
    } else if (kind == 7) {
        base *= 0.55 + 0.7 * noise(world * vec3(3.0, 3.0, 3.0)) * (0.6 + 0.4 * noise(world * 17.0));
    } else if (kind == 8) {
        key_shown = vec4(0.0);
        around_shown = vec4(tint, 1.0);
        depth_m = 1.0 / gl_FragCoord.w;
        return;
    } else if (kind == 9) {
        float plank = world.x / 0.08;
        float board = floor(world.y / 1.1 + 7.3 * hash(vec3(floor(plank))));
        base *= 0.88 + 0.2 * hash(vec3(floor(plank), board, 1.0));
        base *= 0.94 + 0.1 * noise(world * vec3(60.0, 4.0, 1.0));
        float blur = max(fwidth(world.x), fwidth(world.y));
        for (int k = 0; k < line_count; ++k)
            base = mix(base, line_colours[k], 0.95 * box(world.xy, lines[k], max(blur, 0.003)));
    }
    float facing = max(dot(n, sun), 0.0);
    float lit = facing > 0.0 ? lit_share(world + n * 0.03, 0.03) : 0.0;
    vec3 view = normalize(eye - world);
    float glint = pow(max(dot(n, normalize(sun + view)), 0.0), 30.0) * gloss;
    vec3 around = mix(ground_light, sky_light, 0.5 + 0.5 * n.z);
    float rim = gloss * pow(1.0 - max(dot(n, view), 0.0), 5.0);
    key_shown = vec4((base * facing + glint * 0.4) * key_light * lit, 1.0) * cover;
    around_shown = vec4((base + rim) * around, 1.0) * cover;
    depth_m = cover < 0.02 ? 1e6 : 1.0 / gl_FragCoord.w;
}
"""
)
