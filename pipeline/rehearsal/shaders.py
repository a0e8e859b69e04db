"""GLSL programs of the renderer.

Frames are drawn with image row 0 at the bottom of the framebuffer, so that what is read back
starts with the top row. Colours are linear light until ``DEVELOP``.
"""

__all__ = [
    "ACCUMULATE",
    "ACTOR_FRAGMENT",
    "ACTOR_SHADOW_VERTEX",
    "ACTOR_VERTEX",
    "BACKDROP",
    "CARD_FRAGMENT",
    "COPY_BACKDROP",
    "DEVELOP",
    "FULL_VERTEX",
    "MOVING_OUTPUTS",
    "NOTHING_FRAGMENT",
    "PROP_FRAGMENT",
    "PROP_SHADOW_VERTEX",
    "PROP_VERTEX",
    "SHRINK",
    "STILL_OUTPUTS",
    "VEIL",
]

_HEAD = "#version 330\n"

FULL_VERTEX = (
    _HEAD
    + """
out vec2 at;
void main() {
    vec2 corner = vec2((gl_VertexID << 1) & 2, gl_VertexID & 2);
    at = corner;
    gl_Position = vec4(corner * 2.0 - 1.0, 0.0, 1.0);
}
"""
)

_SKIN = """
in vec3 position;
in vec3 normal;
in vec3 colour;
in vec4 weights;
in uvec4 bones;
in float material;
layout(std140) uniform Bones { vec4 bone_rows[192]; };
mat3x4 blended() {
    mat3x4 total = mat3x4(0.0);
    for (int k = 0; k < 4; ++k) {
        int row = 3 * int(bones[k]);
        total += weights[k] * mat3x4(bone_rows[row], bone_rows[row + 1], bone_rows[row + 2]);
    }
    return total;
}
"""

ACTOR_VERTEX = (
    _HEAD
    + _SKIN
    + """
uniform mat4 to_clip;
out vec3 world;
out vec3 outward;
out vec3 rest;
out vec3 tint;
flat out int slot;
void main() {
    mat3x4 bone = blended();
    world = vec4(position, 1.0) * bone;
    outward = vec4(normal, 0.0) * bone;
    rest = position;
    tint = colour;
    slot = int(material + 0.5);
    gl_Position = to_clip * vec4(world, 1.0);
}
"""
)

ACTOR_SHADOW_VERTEX = (
    _HEAD
    + _SKIN
    + """
uniform mat4 to_clip;
void main() {
    gl_Position = to_clip * vec4(vec4(position, 1.0) * blended(), 1.0);
}
"""
)

PROP_VERTEX = (
    _HEAD
    + """
in vec3 position;
in vec3 normal;
in vec3 colour;
in float shine;
uniform mat4 to_world;
uniform mat4 to_clip;
out vec3 world;
out vec3 outward;
out vec3 tint;
out float gloss;
void main() {
    vec4 placed = to_world * vec4(position, 1.0);
    world = placed.xyz;
    outward = mat3(to_world) * normal;
    tint = colour;
    gloss = shine;
    gl_Position = to_clip * placed;
}
"""
)

PROP_SHADOW_VERTEX = (
    _HEAD
    + """
in vec3 position;
uniform mat4 to_world;
uniform mat4 to_clip;
void main() { gl_Position = to_clip * to_world * vec4(position, 1.0); }
"""
)

NOTHING_FRAGMENT = _HEAD + "void main() {}\n"

_LIGHT = """
uniform vec3 eye;
uniform float label;
uniform vec3 sun;
uniform vec3 key_light;
uniform vec3 sky_light;
uniform vec3 ground_light;
uniform sampler2DShadow shadow_map;
uniform mat4 to_shadow;
uniform float shadow_spread;
uniform float shadow_depth_m;
uniform float shadow_strength;
const vec2 taps[12] = vec2[](
    vec2(-0.33, -0.94), vec2(0.94, 0.33), vec2(-0.94, 0.33), vec2(0.33, 0.94),
    vec2(0.16, -0.43), vec2(-0.46, 0.10), vec2(0.38, 0.27), vec2(-0.10, 0.51),
    vec2(0.72, -0.60), vec2(-0.66, -0.42), vec2(-0.52, 0.72), vec2(0.62, 0.66)
);
float lit_share(vec3 place, float bias) {
    vec3 p = (to_shadow * vec4(place, 1.0)).xyz * 0.5 + 0.5;
    if (any(lessThan(p, vec3(0.0))) || any(greaterThan(p, vec3(1.0)))) return 1.0;
    p.z -= bias / shadow_depth_m;
    // Taps turned from pixel to pixel leave fine grain where fixed ones would leave bands
    // (interleaved gradient noise, Jimenez 2014, constants from memory).
    float turn = 6.2832 * fract(52.9829189 * fract(dot(gl_FragCoord.xy, vec2(0.06711056, 0.00583715))));
    mat2 spin = shadow_spread * mat2(cos(turn), sin(turn), -sin(turn), cos(turn));
    float sum = 0.0;
    for (int k = 0; k < 4; ++k)
        sum += texture(shadow_map, vec3(p.xy + spin * taps[k], p.z));
    // Most points lie wholly in light or wholly in shade: four taps tell.
    if (sum < 0.001 || sum > 3.999) return 1.0 - shadow_strength * (1.0 - sum * 0.25);
    for (int k = 4; k < 12; ++k)
        sum += texture(shadow_map, vec3(p.xy + spin * taps[k], p.z));
    return 1.0 - shadow_strength * (1.0 - sum / 12.0);
}
vec3 shaded(vec3 base, vec3 n, vec3 place, float gloss, float wrap, float bias) {
    float facing = dot(n, sun);
    float key = clamp((facing + wrap) / (1.0 + wrap), 0.0, 1.0);
    if (key > 0.0) key *= lit_share(place + n * 0.012, bias);
    vec3 around = mix(ground_light, sky_light, 0.5 + 0.5 * n.z);
    vec3 view = normalize(eye - place);
    float glint = pow(max(dot(n, normalize(sun + view)), 0.0), 40.0) * gloss;
    float rim = pow(1.0 - max(dot(n, view), 0.0), 4.0) * (0.04 + 0.4 * gloss);
    return base * (key_light * key + around) + key_light * key * glint + around * rim;
}
"""

# What a fragment hands on: moving things keep their distance beside the colour (and, for crops,
# their coverage); bystanders go into the pictures of the scenery.
MOVING_OUTPUTS = """
layout(location = 0) out vec4 shown;
layout(location = 1) out vec4 covered;
void emit(vec3 colour) {
    float z = 1.0 / gl_FragCoord.w;
    shown = vec4(colour, z);
    covered = vec4(1.0, z, label, 1.0);
}
"""
STILL_OUTPUTS = """
layout(location = 0) out vec4 key_shown;
layout(location = 1) out vec4 around_shown;
layout(location = 2) out float depth_m;
void emit(vec3 colour) {
    key_shown = vec4(0.0, 0.0, 0.0, 1.0);
    around_shown = vec4(colour, 1.0);
    depth_m = 1.0 / gl_FragCoord.w;
}
"""

ACTOR_FRAGMENT = (
    _HEAD
    + _LIGHT
    + """
in vec3 world;
in vec3 outward;
in vec3 rest;
in vec3 tint;
flat in int slot;
layout(std140) uniform Materials { vec4 material_rows[48]; };
OUTPUTS
float band(float v, float share) {
    float w = max(fwidth(v), 1e-4);
    float f = abs(fract(v) - 0.5) * 2.0;
    return clamp((share - f) / w + 0.5, 0.0, 1.0);
}
float mixed(int pattern, float size) {
    vec3 q = rest / size;
    if (pattern == 1) return band(q.z, 0.5);
    if (pattern == 2) return band(q.x, 0.4);
    if (pattern == 3) return 0.5 * band(q.z, 0.5) + 0.5 * band(q.x, 0.5);
    if (pattern == 4) return smoothstep(-0.004, 0.004, abs(rest.x) - 0.11);
    if (pattern == 5) return band(dot(rest, vec3(0.5, 0.0, 0.55)) * 1.6 + 0.1, 0.16);
    if (pattern == 6) {
        vec2 cell = fract(q.xz + vec2(0.5 * mod(floor(q.z), 2.0), 0.0)) - 0.5;
        return 1.0 - smoothstep(0.24, 0.30, length(cell));
    }
    if (pattern == 7) return smoothstep(0.9, 1.35, rest.z);
    if (pattern == 8)
        return 0.5 + 0.5 * sin(rest.x * 300.0 + 3.0 * sin(rest.z * 60.0 + rest.y * 70.0));
    return 0.0;
}
void main() {
    vec4 first = material_rows[3 * slot], second = material_rows[3 * slot + 1];
    vec4 rule = material_rows[3 * slot + 2];
    int pattern = int(rule.x + 0.5);
    vec3 n = normalize(outward) * (gl_FrontFacing ? 1.0 : -1.0);
    if (rule.z > 0.0) {
        vec3 q = rest;
        vec3 fold = vec3(
            sin(q.y * 61.0 + 2.6 * sin(q.z * 27.0 + q.x * 13.0)),
            sin(q.x * 53.0 + 2.1 * sin(q.z * 33.0 - q.y * 19.0)),
            sin(q.z * 44.0 + 2.8 * sin(q.x * 24.0 + q.y * 31.0)));
        n = normalize(n + 0.22 * rule.z * fold);
    }
    float share = mixed(pattern, rule.y);
    vec3 base = pattern == 8 ? first.rgb * (0.7 + 0.6 * share) : mix(first.rgb, second.rgb, share);
    base *= tint;
    // Light bleeds a little round limbs: skin and cloth pass some of it.
    emit(shaded(base, n, world, rule.w, 0.15, 0.015));
}
"""
)

PROP_FRAGMENT = (
    _HEAD
    + _LIGHT
    + """
in vec3 world;
in vec3 outward;
in vec3 tint;
in float gloss;
OUTPUTS
void main() {
    vec3 n = normalize(outward) * (gl_FrontFacing ? 1.0 : -1.0);
    emit(shaded(tint, n, world, gloss, 0.1, 0.008));
}
"""
)

# Light that falls on the scenery is kept in two pictures, what shadows of players can take
# (key) and what they cannot (around), so that a frame only has to weigh the two.
BACKDROP = (
    _HEAD
    + _LIGHT
    + """
in vec2 at;
uniform sampler2D key_part;
uniform sampler2D around_part;
uniform sampler2D z_part;
uniform mat3 pixel_to_ray;
uniform mat3 to_court;
uniform vec4 blobs[16];
uniform int blob_count;
uniform float contact;
layout(location = 0) out vec4 shown;
void main() {
    ivec2 pixel = ivec2(gl_FragCoord.xy);
    float z = texelFetch(z_part, pixel, 0).r;
    vec3 key = texelFetch(key_part, pixel, 0).rgb;
    vec3 around = texelFetch(around_part, pixel, 0).rgb;
    vec3 place = eye + to_court * (pixel_to_ray * vec3(gl_FragCoord.xy, 1.0)) * z;
    float open_share = 1.0;
    for (int k = 0; k < blob_count; ++k) {
        vec3 d = blobs[k].xyz - place;
        float r2 = blobs[k].w * blobs[k].w;
        float d2 = dot(d, d) + 0.3 * r2;
        // Cut off at some five radii, so that its reach is known.
        open_share *= 1.0 - contact * clamp(r2 / d2 - 0.04, 0.0, 1.0);
    }
    float lit = z > 60.0 ? 1.0 : lit_share(place, 0.02);
    shown = vec4(key * lit + around * open_share, z);
}
"""
)

COPY_BACKDROP = (
    _HEAD
    + """
in vec2 at;
uniform sampler2D backdrop;
uniform vec2 depth_rule;
out vec4 shown;
void main() {
    vec4 found = texelFetch(backdrop, ivec2(gl_FragCoord.xy), 0);
    shown = vec4(found.rgb, 1.0);
    gl_FragDepth = 0.5 + 0.5 * (depth_rule.x + depth_rule.y / found.a);
}
"""
)

VEIL = (
    _HEAD
    + """
in vec2 at;
uniform sampler2D veil;
uniform sampler2D veil_z;
uniform vec2 depth_rule;
out vec4 shown;
void main() {
    ivec2 pixel = ivec2(gl_FragCoord.xy);
    shown = texelFetch(veil, pixel, 0);
    if (shown.a < 0.004) discard;
    gl_FragDepth = 0.5 + 0.5 * (depth_rule.x + depth_rule.y / texelFetch(veil_z, pixel, 0).r);
}
"""
)

ACCUMULATE = (
    _HEAD
    + """
in vec2 at;
uniform sampler2D layer;
uniform float share;
out vec4 shown;
void main() { shown = vec4(texelFetch(layer, ivec2(gl_FragCoord.xy), 0).rgb * share, share); }
"""
)

# The response rises like sRGB (IEC 61966-2-1) and rolls off above 0.7 of full scale, as a
# camera's does (the shoulder is a guess).
DEVELOP = (
    _HEAD
    + """
in vec2 at;
uniform sampler2D layer;
out vec4 shown;
void main() {
    vec3 c = max(texelFetch(layer, ivec2(gl_FragCoord.xy), 0).rgb, 0.0);
    c = mix(c, 0.7 + 0.3 * (1.0 - exp(-(c - 0.7) / 0.3)), greaterThan(c, vec3(0.7)));
    vec3 bright = 1.055 * pow(c, vec3(1.0 / 2.4)) - 0.055;
    shown.rgb = mix(12.92 * c, bright, greaterThan(c, vec3(0.0031308)));
    shown.a = 1.0;
}
"""
)

SHRINK = (
    _HEAD
    + """
in vec2 at;
uniform sampler2D source;
uniform int factor;
uniform int nearest;
out vec4 shown;
void main() {
    ivec2 first = ivec2(gl_FragCoord.xy) * factor;
    vec4 sum = vec4(0.0), least = vec4(1e9);
    for (int j = 0; j < factor; ++j)
        for (int i = 0; i < factor; ++i) {
            vec4 found = texelFetch(source, first + ivec2(i, j), 0);
            sum += found;
            least = min(least, found);
        }
    shown = nearest == 1 ? least : sum / float(factor * factor);
}
"""
)

# Scenery: a colour, a kind of surface and its place; drawn once a camera.
CARD_FRAGMENT = (
    _HEAD
    + _LIGHT
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
        float puff = noise(way * vec3(4.5, 4.5, 13.5)) * 0.65 + noise(way * vec3(13.0, 13.0, 40.0)) * 0.35;
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
